"""What can be wrong with a recording or what it shows: one record each, for refusals and remarks alike."""

from dataclasses import dataclass
from pathlib import Path

from tsfit.base.errors import TsfitError
from tsfit.base.figures import InFigures


@dataclass(frozen=True)
class Cause:
    """What is wrong, what mends it, and what it is found by; what stands in braces is told by whoever finds it."""

    what: str
    remedy: str
    found_by: str

    @property
    def sentence(self) -> str:
        """What a person reads."""
        return f"{self.what}; {self.remedy}."


CAUSES = {
    "missing_file": Cause("no such recording", "check the name in the bench or rig file", "opening it"),
    "missing_file, unreadable": Cause("cannot be opened ({why})", "check the name and who may read it", "opening it"),
    "partial": Cause(
        "this recording stopped before its end",
        (
            "any audio program shows what is there, but half a sweep must not pass for a whole one: record again "
            "under another name"
        ),
        "its name",
    ),
    "empty": Cause("the file is empty", "record again", "its size"),
    "empty, no samples": Cause("holds no samples", "record again", "its header"),
    "not_audio": Cause("cannot be read as audio", "name a WAV or FLAC recording of two channels", "libsndfile"),
    "truncated": Cause("shorter than its header promises", "copy it again or record again", "its header"),
    "truncated, header or data": Cause(
        "damaged or cut off within its header or data", "copy it again or record again", "libsndfile"
    ),
    "truncated, data": Cause("damaged within its data", "copy it again or record again", "libsndfile"),
    "too_long": Cause("holds more samples than can be read", "cut it to a few minutes", "its header, or reading on"),
    "too_long, hours": Cause(
        "lasts longer than {hours:g} hours", "cut it to what was played", "how many samples there are"
    ),
    "too_short": Cause("lasts {seconds:.2g} s", "record {least:g} s at the very least, better 8", "its length"),
    "channels": Cause("has {channels} channels", "keep the two that the rig file names", "its header"),
    "not_finite": Cause(
        "holds samples that are not numbers (NaN, infinite or thousands of times full scale)", "record again", "its samples"
    ),
    "clipping": Cause(
        "channel {channel} is clipped",
        "lower the level or the input gain and record again",
        "flat tops at a channel's own extreme",
    ),
    "clipping, at once": Cause(
        "channel {channel} reached full scale and is clipped", "lower its input gain or the level", "samples at full scale"
    ),
    "near_full_scale": Cause(
        "channel {channel} peaked {margin:.1f} dB below full scale", "lower its input gain a little", "a channel's peak"
    ),
    "weak": Cause(
        "channel {channel} peaked at only {level:.0f} dBFS", "raise its input gain or the level", "a channel's peak"
    ),
    "not_heard": Cause(
        "the total channel does not hear what was played",
        "check output, cables and channel numbers",
        "correlation with what was played",
    ),
    "dropout": Cause(
        "samples are lost, repeated or damaged at {when}",
        "close other programs or use a larger buffer",
        "what was played, held against the total channel, or one period against the next",
    ),
    "dropout, never arrived": Cause("{frames} frames never arrived", "close other programs", "a count of frames"),
    "dropout, reported": Cause(
        "the sound system reported {what} {times} times", "close other programs", "flags of the sound system"
    ),
    "noise": Cause(
        "noise leaves {percent:.1f} % around {octave} Hz",
        "raise the level, sweep longer, or record repeats",
        "the noise of a typical point of each octave",
    ),
    "noise, all of it": Cause("noise drowns the excitation", "raise the level or check the cables", "the same"),
    "distortion": Cause(
        "no small-signal test: {what} of {percent:.1f} % at {hz:.0f} Hz with {level:.1f} dBFS",
        "lower the level by {less} dB and record again",
        "harmonics of what was played",
    ),
    "clock": Cause(
        "the sample clock is off by {ppm:+.0f} ppm",
        "set the interface to {rate:g} Hz itself, so nothing converts",
        "the computer's clock",
    ),
    "dead_channel": Cause(
        "channel {channel} is silent",
        "check its cable, input and gain, and that the driver is connected",
        "a channel's RMS below -100 dB",
    ),
    "mono": Cause("has one channel", "record both channels of the rig in one stereo file", "the file's header"),
    "mono, twice": Cause(
        "both channels are the same",
        "record the rig's two channels, not one of them twice",
        "the difference of the channels",
    ),
    "lossy": Cause(
        "is stored by a lossy codec, which changes what it cannot hear", "record again as WAV or FLAC", "the file's header"
    ),
    "swapped": Cause(
        "channel {second} ({what}) is louder than channel {total} (total), which cannot be",
        "swap the channel numbers in the rig file or the cables",
        "the median ratio of the channels",
    ),
    "polarity": Cause(
        "the two channels are of opposite polarity",
        "turn one input around, or record both unbalanced alike",
        "the sign of their ratio",
    ),
    "open": Cause(
        "no driver seems to be connected (open circuit, or far more ohm than this rig can tell)",
        "check clips and leads, then record again",
        "the median impedance",
    ),
    "open, or twice": Cause(
        "no driver seems to be connected, or one channel was recorded twice, for both are all but the same",
        "check the clips, and that the file holds both channels of the rig",
        "the ratio of the channels, which is 1 throughout",
    ),
    "short, or twice": Cause(
        "a short circuit hangs on the leads, or one channel was recorded twice, for both are all but the same",
        "check the clips, and that the file holds both channels of the rig",
        "the ratio of the channels, which is 1 throughout",
    ),
    "short": Cause(
        "less than {ohm:g} ohm hangs on the leads, a short circuit",
        "check the clips, then record again",
        "the median impedance",
    ),
    "swapped, by its sign": Cause(
        "the impedance comes out negative on this rig",
        "check topology and channel numbers in the rig file",
        "the sign of the impedance",
    ),
    "level": Cause(
        "the level is too low for the noise, which leaves {percent:.0f} % of uncertainty in a typical point",
        "raise the level, check both cables, or record longer",
        "the noise of a typical point",
    ),
    "gap": Cause(
        "{samples} samples in a row stand still at {when}: a gap",
        "close other programs, use a larger buffer, and record again",
        "equal samples in a row amid loud ones",
    ),
    "lost_samples": Cause(
        (
            "both channels jump at {when}: samples were lost, repeated or put in a wrong order, the level was changed, or "
            "a mass fell off"
        ),
        "close other programs, use a larger buffer, and record again",
        "fourth differences of the total channel",
    ),
    "lost_samples, played": Cause(
        "held against {played}, samples are lost, repeated or damaged at {when}",
        "close other programs, use a larger buffer, and record again",
        "the file that was played, held against it",
    ),
    "sample_rate, played": Cause(
        "lasts {percent:+.3g} % longer than what {played} plays, and a wrong rate shifts Fs as much",
        "set one sample rate in player, recorder and file, and record again",
        "delays of sections against the file that was played",
    ),
    "cut_off": Cause(
        "the recording begins amid what is played, and what the cone did before is lost",
        "record from before the start to after the end",
        "the level of its ends",
    ),
    "other_excitation": Cause(
        "the total channel does not hold what {played} plays",
        (
            "name the file that was played, leave excitation out of the bench file, or mend the channel numbers "
            "in the rig file"
        ),
        "correlation with the file that was played",
    ),
    "loose_contact": Cause(
        "the driver was not connected at {when}, a loose contact",
        "mend clips and plugs, and record again",
        "samples in a row that are an open circuit's",
    ),
    "burst": Cause(
        (
            "something disturbed the recording at {when}, such as a voice, a slammed door, a rattle, a loose "
            "contact, a slip of one channel, a lossy codec, a conversion of the sample rate, or a driver that is pushed "
            "too far or warms"
        ),
        "mend it or lower the level, and record again",
        "what the ratio of the channels leaves over, in time",
    ),
    "overload": Cause(
        (
            "while something is played, {percent:.2g} % of what is heard is neither it nor noise: an overloaded "
            "channel or driver, a rattle, a bad contact, a lossy codec, one channel that slipped against the "
            "other, or a recording cut off amid its excitation"
        ),
        "lower the level, look for what rattles, and record again",
        "the same, all the while something is played",
    ),
    "coarse": Cause(
        "channel {channel} moves over {steps:.0f} steps of its converter, which rounds away the rest",
        "raise its input gain or the level, and record again",
        "steps between the values of samples",
    ),
    "unsteady": Cause(
        (
            "the ratio of the channels changes by {percent:.2g} % in the course of the recording, as by a "
            "contact or a warming coil"
        ),
        "mend the contact or lower the level, and record again",
        "the ratio from part to part of the record",
    ),
    "other_resistance, a little": Cause(
        "Re is {percent:+.1f} % from that of the first sweep, which counts, as other warmth or a contact makes it",
        "if the first may be the bad one, sweep again",
        "Re of each sweep in the fit",
    ),
    "other_resistance": Cause(
        "Re is {percent:+.1f} % from that of the first sweep, more than coil heat explains",
        "look for a contact or lead that differs, or let the coil cool, and sweep again",
        "Re of each sweep in the fit",
    ),
    "channel_delay": Cause(
        "channel {second} comes {samples} sample{s} ({us:.0f} us) {way} channel {total}, a slip that is taken out",
        "let one device record both, or calibrate the rig as it records",
        "the phase that the magnitude of the channels' ratio demands",
    ),
    "range": Cause(
        "tells the impedance at {points} points between {low:.3g} and {high:.3g} Hz, and {least} are needed",
        "sweep over a wider range",
        "points that are known to 10 %",
    ),
    "sample_rate": Cause(
        "recorded at {rate:g} Hz but the rig plays at {played:g} Hz, and a wrong rate shifts Fs",
        "mend sample_rate_hz in the rig file or record again",
        "headers and rig file",
    ),
    "sample_rate, one": Cause(
        "all frequencies are {percent:+.2g} % off those of the first sweep, resonance and coil alike, as of a file whose "
        "header names another sample rate",
        "set one rate in player, recorder and files, and record again",
        "the fit, with the frequencies of a sweep free",
    ),
    "not_audio, played": Cause("{why}", "name the WAV or FLAC file that was played, or leave excitation out", "libsndfile"),
    "not_audio, nothing played": Cause("plays nothing", "name the file that was played", "its samples"),
    "calibration, noise": Cause(
        "this calibration recording tells nothing above its noise",
        "record it with the excitation and level of the sweeps",
        "points known of its ratio",
    ),
    "calibration, swapped": Cause(
        "channel {total} (total) hears hardly anything and channel {second} does, so they are swapped",
        "swap the channel numbers in the rig file or the cables",
        "the RMS of both channels of a standard that tells no ratio",
    ),
    "calibration, order": Cause(
        "the calibration recordings of the {one} and the {other} do not differ as they should on this rig",
        "check which file is which, the ohm values and the channel numbers",
        "ratios of the standards in the order of their ohm",
    ),
    "short_range": Cause(
        "the sweep covers {low:.3g} to {high:.4g} Hz with {near} points around the resonance near {peak:.3g} Hz",
        "a fit needs 0.8 to 3 times that frequency and 8 points within a factor of 1.5 of it; "
        "better sweep from half to ten times with 24 points per octave",
        "the curve's ends about its peak",
    ),
    "phase_unit": Cause(
        "the phase seems to be in radians where degrees are stated",
        "correct the unit and fit again",
        "the phase that the magnitude's slope demands",
    ),
    "no_phase": Cause(
        "the phase stays within {degrees:.2g} degrees while the magnitude changes, so it was not measured",
        "measure or export magnitude and phase",
        "the phase's range",
    ),
    "mirrored_phase": Cause(
        "the phase is mirrored, negative where the magnitude rises",
        "change its sign, or check which channel is which and sweep again",
        "the phase that the magnitude's slope demands",
    ),
    "no_resonance": Cause(
        "no resonance peak between {low:.4g} and {high:.4g} Hz",
        "connect the driver itself and sweep from well below to well above its resonance",
        "maxima of |Z|",
    ),
    "no_resonance, a resistor": Cause(
        "no resonance peak between {low:.4g} and {high:.4g} Hz, but {ohm:.3g} ohm throughout, as of a resistor",
        "connect the driver itself and sweep from well below to well above its resonance",
        "maxima of |Z|",
    ),
    "no_resonance, a coil": Cause(
        ("no resonance peak between {low:.4g} and {high:.4g} Hz, but a rise towards high frequencies, as of a coil alone"),
        "free the cone and sweep from well below to well above its resonance",
        "maxima of |Z|",
    ),
    "no_resonance, below": Cause(
        (
            "no resonance peak between {low:.4g} and {high:.4g} Hz, but a fall from the first point on, as above the "
            "resonance of a driver, or above those of a vented box, that lies lower than the sweep"
        ),
        "take the driver out of any box and sweep from well below its resonance, 5 Hz where it is unknown",
        "a reactance that is negative at the low end, less than a capacitor's",
    ),
    "loose_mass": Cause(
        "{seen}, as of a mass that is not stuck to the cone all over",
        "press it on, and sweep again",
        "two peaks with a mass on the cone",
    ),
    "capacitor": Cause(
        "rises towards low frequencies as a capacitor in series, of about {microfarad:.2g} uF, does",
        "bridge it, or sweep at the driver's own terminals",
        "a negative reactance at the low end, and a circuit with a capacitor",
    ),
    "vented_box": Cause(
        "{seen}, as of a vented box or one with a passive radiator, or of inputs that are coupled unlike",
        (
            "take the driver out of the box and sweep it in free air, judge the box with `tsfit box verify`, or calibrate "
            "the rig"
        ),
        "a circuit with a box, which follows the curve far better",
    ),
    "vented_box, or loose": Cause(
        (
            "{seen}, farther apart than those of a usual vented box, as of a mass, dust cap or other part of the cone "
            "that is loosely stuck, of a box with its port tuned far off, or of inputs that are coupled unlike"
        ),
        (
            "press on what is loose and sweep the driver in free air, judge a box with `tsfit box verify`, or calibrate "
            "the rig"
        ),
        "the distance of two peaks, which a circuit with a box follows",
    ),
    "loudspeaker": Cause(
        "{seen}, as of several drivers behind a crossover, or of inputs that are coupled unlike",
        "disconnect the crossover and sweep one driver alone, or calibrate the rig",
        "a reactance that turns negative again",
    ),
    "kramers_kronig": Cause(
        "the curve cannot be that of a steady driver: {broken}, as what drifts, drops out or is overdriven makes it",
        "let the coil cool, lower the level, check the channels, and sweep again",
        "the Kramers-Kronig relations",
    ),
    "no_shift": Cause(
        "the resonance should have {verb} clearly from free air's {free:.4g} Hz but stands at {peak:.4g} Hz",
        "{remedy}",
        "peaks of both curves",
    ),
    "re_above_curve": Cause(
        (
            "Re comes out at {re} ± {stdev} ohm, but the curve itself reads {reads} ohm at {hz} Hz, and no driver reads "
            "less than its Re: a loss of coil or suspension, or what a contact, a coil that warms within its sweep, a "
            "knock or unlike couplings of the inputs did to it, is taken for it"
        ),
        "sweep again, check with an ohmmeter, and hold Re at what that reads (--hold Re={reads})",
        "the least real part of the curve far below the resonance",
    ),
    "strained_input": Cause(
        "The sweeps contradict the {label}: {sigma} standard uncertainties {way} it would fit",
        "check it",
        "how far the fit moves what was stated",
    ),
    "no_fit": Cause("no driver circuit fits ({why})", "{remedy}", "what the best circuit misses"),
    "no_fit, two peaks": Cause(
        "{seen}, but {why}, so it was measured wrongly", "sweep again", "the Kramers-Kronig relations"
    ),
}
"""By code, and what tells causes of one code apart."""


def cause(code: str, **told: object) -> str:
    """Sentence of a cause."""
    return InFigures().vformat(CAUSES[code].sentence, (), told)


def refused(source: Path | str, code: str, **told: object) -> TsfitError:
    """Refusal of a recording or curve for a cause of the table."""
    return TsfitError(f"{source}: {cause(code, **told)}", code=code.split(",")[0], file=source)
