"""What can be wrong with a recording: each cause in one sentence with its remedy, for refusals and remarks alike."""

from pathlib import Path

from tsfit.base.errors import TsfitError

CAUSES = {
    "clipping": "channel {channel} is clipped; lower the level or the input gain and record again.",
    "dead_channel": "channel {channel} is silent; check its cable, input and gain, and that the driver is connected.",
    "mono": "has one channel; record both channels of the rig in one stereo file.",
    "mono, twice": "both channels are the same; record the rig's two channels, not one of them twice.",
    "lossy": "is stored by a lossy codec, which changes what it cannot hear; record again as WAV or FLAC.",
    "swapped": (
        "channel {second} ({what}) is louder than channel {total} (total), which cannot be; swap the channel "
        "numbers in the rig file or the cables."
    ),
    "polarity": "the two channels are of opposite polarity; turn one input around, or record both unbalanced alike.",
    "open": (
        "no driver seems to be connected (open circuit, or far more ohm than this rig can tell); check clips and "
        "leads, then record again."
    ),
    "short": "less than {ohm:g} ohm hangs on the leads, a short circuit; check the clips, then record again.",
    "swapped, by its sign": (
        "the impedance comes out negative on this rig; check topology and channel numbers in the rig file."
    ),
    "level": (
        "the level is too low for the noise, which leaves {percent:.0f} % of uncertainty in a typical point; "
        "raise the level, check both cables, or record longer."
    ),
    "gap": (
        "{samples} samples in a row stand still at {when}: a gap; close other programs, use a larger buffer, and "
        "record again."
    ),
    "lost_samples": (
        "both channels jump at {when}: samples were lost, repeated or put in a wrong order, or the level was changed; "
        "close other programs, use a larger buffer, and record again."
    ),
    "lost_samples, played": (
        "held against {played}, samples are lost, repeated or damaged at {when}; close other programs, use a larger "
        "buffer, and record again."
    ),
    "sample_rate, played": (
        "lasts {percent:+.3g} % longer than what {played} plays, and a wrong rate shifts Fs as much; set one sample rate "
        "in player, recorder and file, and record again."
    ),
    "other_excitation": (
        "the total channel does not hold what {played} plays; name the file that was played, leave excitation out of the "
        "bench file, or mend the channel numbers in the rig file."
    ),
    "loose_contact": "the driver was not connected at {when}, a loose contact; mend clips and plugs, and record again.",
    "burst": (
        "something disturbed the recording at {when}, such as a voice, a slammed door, a rattle, a loose contact, a "
        "slip of one channel, or a driver that is pushed too far or warms; mend it or lower the level, and record again."
    ),
    "overload": (
        "while something is played, {percent:.2g} % of what is heard is neither it nor noise: an overloaded "
        "channel or driver, a rattle, a bad contact, a lossy codec, one channel that slipped against the other, "
        "or a recording cut off amid its excitation; lower the level, look for what rattles, and record again."
    ),
    "coarse": (
        "channel {channel} moves over {steps:.0f} steps of its converter, which rounds away the rest; raise its input gain "
        "or the level, and record again."
    ),
    "unsteady": (
        "the ratio of the channels changes by {percent:.2g} % in the course of the recording, as by a contact or "
        "a warming coil; mend the contact or lower the level, and record again."
    ),
    "other_resistance, a little": (
        "Re is {percent:+.1f} % from that of the first sweep, which counts, as other warmth or a contact makes it; if "
        "the first may be the bad one, sweep again."
    ),
    "other_resistance": (
        "Re is {percent:+.1f} % from that of the first sweep, more than coil heat explains; look for a contact or lead "
        "that differs, or let the coil cool, and sweep again."
    ),
}
"""By code, and what tells causes of one code apart; what stands in braces is told by whoever finds it."""


def cause(code: str, **told: object) -> str:
    """Sentence of a cause."""
    return CAUSES[code].format(**told)


def refused(source: Path | str, code: str, **told: object) -> TsfitError:
    """Refusal of a recording or curve for a cause of the table."""
    return TsfitError(f"{source}: {cause(code, **told)}", code=code.split(",")[0], file=source)
