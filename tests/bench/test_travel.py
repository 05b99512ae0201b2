import json

import pytest
import soundfile
from helpers.made_travel import DRIVERS, bench_folder, settled_bench

from tsfit.base.errors import TsfitError
from tsfit.bench.travel import travel_bench

TRUTH = DRIVERS[0]


@pytest.fixture(scope="module")
def told(tmp_path_factory, made_once):
    folder, settled = tmp_path_factory.mktemp("travel"), settled_bench(made_once)
    bench = bench_folder(folder, TRUTH, driver='outward = "positive"')
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tsfit.bench.travel.settle", lambda *_: settled)
        return folder, travel_bench(bench)


def test_from_recordings_to_limits(told):
    _, result = told
    for name in ("Bl82", "C75", "Bl70"):
        for side, way in (("outward", 1), ("inward", -1)):
            limit, truth = getattr(result.limits[name], side), TRUTH.limit(name, way)
            if limit.reached:
                assert limit.value == pytest.approx(truth, rel=0.01)
                assert limit.interval95[0] <= truth <= limit.interval95[1]
    assert result.travel["10 %"].outward.by == "C75"
    assert result.travel["10 %"].inward.by == "Bl82"
    assert result.outward_known
    # Half of: mass 0.3 %, volts 0.1 %, amperes 0.1 % of the channel and 0.1 % of the resistor.
    share = result.limits["Bl82"].inward.stdev / result.limits["Bl82"].inward.value
    assert share == pytest.approx(0.5e-2 * (0.3**2 + 3 * 0.1**2) ** 0.5, rel=0.15)
    assert [level.recording for level in result.levels] == ["level-0.wav", "level-1.wav"]
    assert result.quality == ()


def _refused(path):
    with pytest.raises(TsfitError) as refusal:
        travel_bench(path)
    return refusal.value


def _changed(told, old, new, file="bench.toml"):
    """Another file beside the bench's, with `old` replaced."""
    folder, _ = told
    text = (folder / file).read_text()
    assert old in text
    path = folder / f"other-{file}"
    path.write_text(text.replace(old, new))
    return path


def test_a_file_without_uncertainty_and_a_wrong_full_scale_are_said(told):
    folder, right = told
    (folder / "driver.toml").write_text(
        f'[driver]\nname = "{TRUTH.name}"\n[parameters]\nRe = "3.4 ohm"\nFs = "28 Hz"\nQms = 6.0\nMms = "130 g"\n'
        'Bl = "14.5 T*m"\nSd = "500 cm2"\nLe = "0.8 mH"\nL2 = "1 mH"\nR2 = "4 ohm"\n'
    )
    _changed(told, "total_v_full_scale = 125.0", "total_v_full_scale = 131.0", "rig.toml")
    path = _changed(told, 'rig = "rig.toml"', 'rig = "other-rig.toml"')
    quiet = path.read_text().partition('[[sweep]]\nrecording = "level-1.wav"')[0]
    path.write_text(quiet.replace("fit.json", "driver.toml").replace('outward = "positive"', ""))
    result = travel_bench(path)
    assert {note.code for note in result.quality} == {"assumed_uncertainty", "full_scale", "polarity"}
    one, other = (each.levels[0].peak_outward_m for each in (result, right))
    assert one / other == pytest.approx((131.0 / 125.0) ** 0.5, rel=5e-3)
    mass = result.parameters["Mms"]
    assert mass.stdev == pytest.approx(0.01 * mass.value)


def test_small_signal_sweeps_or_a_description_must_set_the_scale(told):
    error = _refused(_changed(told, 'from = "fit.json"', ""))
    assert error.code == "incomplete_driver"
    assert "tell no millimetres alone" in error.message
    folder, _ = told
    fit = json.loads((folder / "fit.json").read_text())
    for name in ("Mms", "Cms", "Rms", "Bl", "Vas", "eta0", "sensitivity_1W", "sensitivity_2V83"):
        del fit["parameters"][name]
    (folder / "light.json").write_text(json.dumps(fit))
    assert _refused(_changed(told, "fit.json", "light.json")).code == "incomplete_driver"


@pytest.mark.parametrize(
    ("old", "new", "code"),
    [
        ('state = "full travel"\nperiod_s = 0.5', 'state = "free air"', "no_full_travel"),
        ("[driver]", "[driver]\ncoils = 2", "wrong_value"),
        ("level-0.wav", "level-7.wav", "missing_file"),
        ("period_s = 0.5", "period_s = 0.31", "no_period"),
    ],
)
def test_what_cannot_be_is_said(told, old, new, code):
    assert _refused(_changed(told, old, new)).code == code


def test_two_coils_are_not_told_apart(told):
    path = _changed(told, 'state = "full travel"', 'state = "full travel"\nwiring = "series"')
    path.write_text(path.read_text().replace("[driver]", "[driver]\ncoils = 2"))
    assert _refused(path).code == "two_coils"


def test_a_rig_without_volts_and_a_turned_channel_are_refused(told):
    folder, _ = told
    _changed(told, "total_v_full_scale = 125.0\n", "", "rig.toml")
    assert _refused(_changed(told, 'rig = "rig.toml"', 'rig = "other-rig.toml"')).code == "no_scale"
    samples, rate = soundfile.read(folder / "level-0.wav")
    samples[:, 1] *= -1.0
    soundfile.write(folder / "turned.wav", samples, rate, subtype="PCM_24")
    assert _refused(_changed(told, "level-0.wav", "turned.wav")).code == "polarity"
