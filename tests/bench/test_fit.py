"""From bench files to fits: the sample recordings against their simulated truth, the ohmmeter's reading, refusals."""

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from helpers.dialects import Z, body
from helpers.healthy_benches import BENCHES, made
from helpers.made_bench import MODELS, made_bench
from helpers.paths import SAMPLES
from scipy import signal

from tsfit.base.errors import TsfitError
from tsfit.bench.fit import fit_bench

TRUTH = json.loads((SAMPLES / "truth.json").read_text())

# The accuracy that the sample recordings must give, relative.
GOALS = {"Re": 0.002, "Fs": 0.002, "Qts": 0.005, "Vas": 0.01, "Bl": 0.01, "Mms": 0.01}


def _truth(name, recording):
    """Truth in the bench's air, at the coil temperature of one recording (Qes and Qts go with Re)."""
    true = dict(TRUTH["drivers"][name]["parameters_in_bench_air"])
    warm = TRUTH["recordings"][recording]["Re"] / true["Re"]
    true["Re"] *= warm
    true["Qes"] *= warm
    true["Qts"] = 1.0 / (1.0 / true["Qes"] + 1.0 / true["Qms"])
    return true


@pytest.mark.against(
    "parameters from recordings", "a bench simulated in time from its differential equations", "4 standard uncertainties"
)
@pytest.mark.parametrize(
    ("stem", "name", "recording"),
    [
        ("saltwit-12", "Saltwit 12", "recordings/saltwit-12-free-air.flac"),
        ("saltwit-12b", "Saltwit 12 B", "recordings/saltwit-12b-free-air.flac"),
        ("saltwit-12-shunt", "Saltwit 12", "recordings/shunt-saltwit-12-free-air.flac"),
    ],
)
def test_sample_recordings_give_the_truth(sample_fit, stem, name, recording):
    result, true = sample_fit(stem), _truth(name, recording)
    inside = {}
    for figure, estimate in result.parameters.items():
        if figure in GOALS:
            assert estimate.value == pytest.approx(true[figure], rel=GOALS[figure]), figure
        if figure in true:
            assert abs(estimate.value - true[figure]) < 4.0 * estimate.stdev, figure
            inside[figure] = estimate.interval95[0] <= true[figure] <= estimate.interval95[1]
    # One trial each: correlated figures may leave their 95 % interval together, but not most of them.
    assert sum(inside.values()) >= 0.75 * len(inside), inside
    # Of creep the recordings hold more than any law says, and of the sprung part what rings near 760 Hz.
    assert result.driver.suspension == "log-creep"
    parts = [result.parameters[each].value for each in result.parameters if each.startswith("Fp")]
    assert parts == ([pytest.approx(760.0, rel=0.02)] if name.endswith("B") else [])


@pytest.mark.parametrize("stem", ["saltwit-12", "saltwit-12b"])
def test_what_is_stated_of_sample_recordings_looks_like_a_benchs(sample_fit, stem):
    """Standard uncertainties of a careful bench: common practice, no source."""
    found = sample_fit(stem).parameters
    percent = {name: 100.0 * found[name].stdev / found[name].value for name in ("Fs", "Qts", "Vas")}
    assert 0.1 < percent["Fs"] < 0.5
    assert 0.4 < percent["Qts"] < 1.0
    assert 1.0 < percent["Vas"] < 3.0


def test_meter_that_agrees_is_said_to_agree(sample_fit):
    notes = [note for note in sample_fit("saltwit-12").quality if note.code == "dc_resistance"]
    assert [note.severity for note in notes] == ["note"]


def test_provenance_names_every_file(sample_fit):
    provenance = sample_fit("saltwit-12").provenance
    assert provenance["bench"]["file"] == "saltwit-12-bench.toml"
    assert len(provenance["sweeps"]) == 3
    for sweep in provenance["sweeps"]:
        assert len(sweep["sha256"]) == 64
        assert len(sweep["calibration"]) == 3
    [trusted] = [note.message for note in sample_fit("saltwit-12").quality if note.code == "on_trust"]
    assert "the calibration's standards as stated" in trusted


@pytest.fixture(scope="module")
def plain(quick_bench):
    """These recordings as they are, by the circuit that the tests below force for speed."""
    return fit_bench(quick_bench / "saltwit-12-shunt-bench.toml", **MODELS)


@pytest.fixture
def bench(quick_bench, tmp_path):
    """A bench folder of one's own on the quick rig, with the text of its bench file to change."""
    shutil.copytree(quick_bench, tmp_path, dirs_exist_ok=True)
    path = tmp_path / "saltwit-12-shunt-bench.toml"

    class Bench:
        file = path
        folder = tmp_path
        free_air = tmp_path / "recordings/shunt-saltwit-12-free-air.flac"
        mass = tmp_path / "recordings/shunt-saltwit-12-mass-30g.flac"

        @staticmethod
        def change(old, new, file=path):
            text = file.read_text()
            assert old in text
            file.write_text(text.replace(old, new))

        @staticmethod
        def refusal():
            with pytest.raises(TsfitError) as caught:
                fit_bench(path)
            assert "\n" not in caught.value.message
            return caught.value

    return Bench


def test_meter_that_disagrees_is_explained_and_can_trim(bench, monkeypatch):
    bench.change("dc_resistance_ohm = 5.08", "dc_resistance_ohm = 5.40")
    told = fit_bench(bench.file, **MODELS)
    note = next(note for note in told.quality if note.code == "dc_resistance")
    assert note.severity == "warn"
    assert "channel gains" in note.message
    bench.change('rig = "rig-shunt.toml"', 'trim = "dc resistance"\nrig = "rig-shunt.toml"')
    opened = []

    class Counted(soundfile.SoundFile):
        def __init__(self, stream):
            opened.append(stream.name)
            super().__init__(stream)

    monkeypatch.setattr(soundfile, "SoundFile", Counted)
    trimmed = fit_bench(bench.file, **MODELS)
    assert sorted(opened) == sorted(map(str, (bench.free_air, bench.mass))), "each is read once"
    assert trimmed.parameters["Re"].value == pytest.approx(5.40, rel=1e-4)
    assert trimmed.parameters["Re"].stdev > 0.8 * 0.03
    assert "trimmed" in {note.code for note in trimmed.quality}


def test_trim_undoes_a_channel_mismatch(bench, plain):
    """A gain error planted in one channel is found by the ohmmeter, and all parameters come back."""
    samples, rate = soundfile.read(bench.free_air, always_2d=True)
    for path in (bench.free_air, bench.mass):
        samples, rate = soundfile.read(path, always_2d=True)
        soundfile.write(path, samples * [1.0, 0.95], rate, subtype="PCM_24")
    true = _truth("Saltwit 12", "recordings/shunt-saltwit-12-free-air.flac")
    bench.change("dc_resistance_ohm = 5.08", f"dc_resistance_ohm = {true['Re']:.5f}")
    assert abs(fit_bench(bench.file, **MODELS).parameters["Re"].value / true["Re"] - 1.0) > 0.05
    bench.change('rig = "rig-shunt.toml"', 'trim = "dc resistance"\nrig = "rig-shunt.toml"')
    result = fit_bench(bench.file, **MODELS)
    assert result.parameters["Re"].value == pytest.approx(true["Re"], rel=3e-3)
    for name in ("Fs", "Qms", "Qes", "Mms", "Bl"):
        assert result.parameters[name].value == pytest.approx(plain.parameters[name].value, rel=3e-3), name


@pytest.mark.parametrize(
    ("old", "new", "code", "word"),
    [
        ("mass_g = 30.0", "mas_g = 30.0", "wrong_key", "mass_g"),
        ("mass_g = 30.0", "mass_g = -30.0", "wrong_value", "mass_g"),
        ("mass_g = 30.0", 'mass = "30 furlong"', "wrong_value", "mass"),
        ("mass_g = 30.0", 'mass = "30 cm"', "wrong_value", "mass"),
        ("mass_g = 30.0\n", "", "wrong_value", "mass_g"),
        ('state = "added mass"', 'state = "added weight"', "wrong_value", "state"),
        ('name = "Saltwit 12"', "name = 12", "wrong_value", "name"),
        ("effective_diameter_cm = 25.6", "effective_diameter_cm = 0", "wrong_value", "effective_diameter_cm"),
        ("effective_diameter_cm = 25.6", "effective_diameter_cm = 25.6\nsd_cm2 = 500", "wrong_value", "sd_cm2"),
        ('rig = "rig-shunt.toml"', "", "wrong_value", "rig"),
        ('rig = "rig-shunt.toml"', 'rig = "no-such-rig.toml"', "missing_file", "no-such-rig.toml"),
        ("[driver]", "[driver", "not_toml", "bench.toml"),
        ("mass-30g.flac", "mass-31g.flac", "missing_file", "mass-31g.flac"),
    ],
)
def test_a_wrong_bench_file_is_named(bench, old, new, code, word):
    bench.change(old, new)
    error = bench.refusal()
    assert error.code == code
    assert word in error.message
    assert str(bench.folder) in error.message


def test_a_printed_mass_counts_like_a_number(tmp_path):
    path = made_bench(tmp_path)
    plain, text = fit_bench(path, **MODELS), path.read_text()
    path.write_text(text.replace("mass_g = 40", 'mass = "0.0400 kg"'))
    assert path.read_text() != text
    found = fit_bench(path, **MODELS)
    assert found.parameters["Mms"].value == pytest.approx(plain.parameters["Mms"].value, rel=1e-9)


def test_swapped_files_show_no_fall_of_the_resonance(bench):
    aside = bench.folder / "aside.flac"
    bench.free_air.rename(aside)
    bench.mass.rename(bench.free_air)
    aside.rename(bench.mass)
    error = bench.refusal()
    assert error.code == "no_shift"
    assert "mass-30g" in error.message


def test_recordings_of_unlike_rates_are_fitted_together(bench, plain):
    """Each file's own rate is what counts; the same sound at another rate gives the same parameters."""
    samples, rate = soundfile.read(bench.mass, always_2d=True)
    other = 22050
    assert rate != other
    soundfile.write(bench.mass, signal.resample(samples, round(len(samples) * other / rate)), other, subtype="PCM_24")
    found = fit_bench(bench.file, **MODELS)
    for name in ("Fs", "Qts", "Mms"):
        assert found.parameters[name].value == pytest.approx(plain.parameters[name].value, rel=2e-3)


def test_the_excitation_helps_where_it_is_named(bench, plain):
    """A bang before the sweep no longer counts; another file than the one played is refused."""
    line = 'recording = "recordings/shunt-saltwit-12-free-air.flac"\n'
    samples, rate = soundfile.read(bench.free_air)
    soundfile.write(bench.folder / "played.wav", samples[:, 0], rate, subtype="FLOAT")
    bang = np.exp(-np.arange(2 * rate) / 3000.0)[:, None] * np.random.default_rng(1).standard_normal((2 * rate, 2))
    soundfile.write(bench.free_air, np.concatenate([0.2 * bang, samples]), rate, format="FLAC", subtype="PCM_24")
    bench.change(line, f'{line}excitation = "played.wav"\n')
    found = fit_bench(bench.file, **MODELS)
    for name in ("Fs", "Qts", "Mms"):
        assert found.parameters[name].value == pytest.approx(plain.parameters[name].value, rel=2e-3)
    soundfile.write(bench.folder / "played.wav", samples[::-1, 0], rate, subtype="FLOAT")
    refusal = bench.refusal()
    assert (refusal.code, refusal.file) == ("other_excitation", str(bench.free_air))


def _spoil(path, change):
    samples, rate = soundfile.read(path, always_2d=True)
    soundfile.write(path, change(samples), rate, subtype="PCM_24")


def _resistor(samples, ohm, rng):
    """What the quick rig records with `ohm` in the driver's place: same drive, both channels in phase."""
    second = samples[:, 0] * 10.01 / (10.01 + ohm)
    noise = 1e-5 * rng.standard_normal(samples.shape)
    return np.column_stack([samples[:, 0], second]) + noise


@pytest.mark.parametrize(
    ("change", "code"),
    [
        (lambda x: np.clip(3.0 * x, -1.0, 1.0 - 2e-7), "clipping"),
        (lambda x: np.clip(x, -0.5 * np.abs(x[:, 0]).max(), 0.5 * np.abs(x[:, 0]).max()), "clipping"),
        (lambda x: x * [1.0, 0.0], "dead_channel"),
        (lambda x: x[:, ::-1], "swapped"),
        (lambda x: x[:, [0, 0]], "mono"),
        (lambda x: x[:, :1], "mono"),
        (lambda x: x * [1.0, -1.0], "polarity"),
        (lambda x: x[:2000], "too_short"),
        (lambda x: x[:0], "empty"),
        (lambda x: _resistor(x, 1e6, np.random.default_rng(0)), "open"),
        (lambda x: _resistor(x, 0.01, np.random.default_rng(0)), "short"),
        (lambda x: _resistor(x, 8.0, np.random.default_rng(0)), "no_resonance"),
        (lambda x: 1e-3 * x + 1e-3 * np.random.default_rng(0).standard_normal(x.shape), "level"),
    ],
)
def test_a_recording_that_cannot_be_trusted_is_refused(bench, change, code):
    _spoil(bench.free_air, change)
    error = bench.refusal()
    assert error.code == code, error.message
    assert bench.free_air.name in error.message


def test_files_that_are_no_recordings_are_refused(bench):
    whole = bench.free_air.read_bytes()
    for content, code in ((b"", "empty"), (b"not audio at all" * 99, "not_audio"), (whole[: len(whole) // 2], "truncated")):
        bench.free_air.write_bytes(content)
        assert bench.refusal().code == code


def test_samples_that_are_no_numbers_are_refused(bench):
    samples, rate = soundfile.read(bench.free_air, always_2d=True)
    samples[1000, 1] = np.nan
    wav = bench.free_air.with_suffix(".wav")
    soundfile.write(wav, samples, rate, subtype="FLOAT")
    bench.change("free-air.flac", "free-air.wav")
    assert bench.refusal().code == "not_finite"


def test_a_truncated_wav_is_refused(bench):
    samples, rate = soundfile.read(bench.free_air, always_2d=True)
    wav = bench.free_air.with_suffix(".wav")
    soundfile.write(wav, samples, rate, subtype="PCM_16")
    wav.write_bytes(wav.read_bytes()[:-20000])
    bench.change("free-air.flac", "free-air.wav")
    assert bench.refusal().code == "truncated"


@pytest.mark.parametrize(
    ("driver", "sweep", "word"),
    [
        ("coils = 2\n", "", "give sweep 1 its wiring"),
        ("", 'wiring = "series"\n', "coils = 2"),
        ("coils = 2\n", 'wiring = "series"\nother_coil = "shorted"\n', "other_coil belongs"),
        ("coils = 2\n", 'wiring = "one coil"\nother_coil = "shorted"\n', "neither Qes nor Qms"),
    ],
)
def test_a_bench_of_two_coils_says_its_wirings(tmp_path, driver, sweep, word):
    frequency = np.geomspace(5, 4e3, 300)
    size = 5.0 + 20.0 / (1.0 + (10.0 * np.log(frequency / 40.0)) ** 2)
    lines = "".join(f"{f:.6g} {z:.6g} 0\n" for f, z in zip(frequency, size, strict=True))
    (tmp_path / "curve.txt").write_text("Hz ohm degrees\n" + lines)
    bench = tmp_path / "bench.toml"
    bench.write_text(f'[driver]\nname = "Plover 10"\n{driver}[[sweep]]\ncurve = "curve.txt"\nstate = "free air"\n{sweep}')
    with pytest.raises(TsfitError, match=word):
        fit_bench(bench)


def test_a_sweep_says_what_the_columns_of_its_curve_are(tmp_path):
    """A header of an unknown language, the phase of the other sign; a closed form comes back."""
    (tmp_path / "curve.txt").write_text("\n".join(["uno;due;tre", *body("zfp", p=-np.degrees(np.angle(Z)))]))
    bench = tmp_path / "bench.toml"
    sweep = '[[sweep]]\ncurve = "curve.txt"\nstate = "free air"\n'
    bench.write_text(f'[driver]\nname = "Plover 10"\n{sweep}columns = "ohm, Hz, -degrees"\n')
    assert fit_bench(bench).parameters["Fs"].value == pytest.approx(41.0, rel=1e-3)
    bench.write_text(f'[driver]\nname = "Plover 10"\n{sweep}')
    with pytest.raises(TsfitError, match=r'columns = "…" in the sweep'):
        fit_bench(bench)
    bench.write_text(
        '[driver]\nname = "Plover 10"\n[[sweep]]\nrecording = "a.wav"\nstate = "free air"\ncolumns = "Hz, ohm, degrees"\n'
    )
    with pytest.raises(TsfitError, match="columns belongs to a curve"):
        fit_bench(bench)
    with pytest.raises(TsfitError, match="is a bench file; write columns"):
        fit_bench(bench, columns="Hz, ohm, degrees")


def test_copies_of_a_sweep_count_once(tmp_path):
    """A copy tells nothing new: value and uncertainty stay, and it is said."""
    for name in ("one.txt", "two.txt"):
        (tmp_path / name).write_text("\n".join(["f (Hz);Z (ohm);phase (deg)", *body("fzp")]))
    sweep = '[[sweep]]\ncurve = "{}"\nstate = "free air"\n'
    results = []
    for names in (["one.txt"], ["one.txt", "two.txt", "one.txt"]):
        (tmp_path / "bench.toml").write_text('[driver]\nname = "Plover 10"\n' + "".join(map(sweep.format, names)))
        results.append(fit_bench(tmp_path / "bench.toml"))
    alone, thrice = results
    assert thrice.parameters["Fs"] == alone.parameters["Fs"]
    assert len(thrice.states) == 1
    (told,) = [note for note in thrice.quality if note.code == "same_sweep"]
    assert "left out: two.txt, one.txt" in told.message
    assert not [note for note in alone.quality if note.code == "same_sweep"]


@pytest.mark.against(
    "Fs and Qts of two sweeps of 1.5 s under noise of -60 dBFS", "a bench simulated in time", "0.1 %, 0.5 %"
)
def test_two_short_sweeps_in_noise_are_enough(bench_simulator, tmp_path):
    bench = replace(BENCHES[3], noise_dbfs=-60.0)
    for name, samples in zip(("free", "mass"), made(bench_simulator, bench).sweeps, strict=True):
        soundfile.write(tmp_path / f"{name}.wav", samples, bench.rate, subtype="PCM_24")
    (tmp_path / "rig.toml").write_text(bench.rig())
    (tmp_path / "bench.toml").write_text(
        'rig = "rig.toml"\n[driver]\nname = "made"\n[[sweep]]\nrecording = "free.wav"\nstate = "free air"\n'
        f'[[sweep]]\nrecording = "mass.wav"\nstate = "added mass"\nmass_g = {1e3 * bench.mass}\n'
    )
    found = fit_bench(tmp_path / "bench.toml").parameters
    assert found["Fs"].value == pytest.approx(bench.Fs, rel=1e-3)
    assert found["Qts"].value == pytest.approx(1.0 / (1.0 / bench.Qms + 1.0 / bench.Qes), rel=5e-3)


def test_a_curve_that_was_swept_with_a_mass_is_not_fitted_as_free_air(tmp_path):
    """What `sweep` leaves beside a curve tells its state; without it nothing does."""
    curve, conditions = tmp_path / "swept.txt", tmp_path / "swept.toml"
    curve.write_text("\n".join(["Hz ohm degrees", *body("fzp")]))
    assert "rig_left_out" not in {note.code for note in fit_bench(curve).quality}
    conditions.write_text('recording = "swept.wav"\n[sweep]\nstate = "added mass"\nmass_g = 30.0\n')
    with pytest.raises(TsfitError, match="in the state 'added mass', as the conditions beside it say"):
        fit_bench(curve)
    conditions.write_text('recording = "swept.wav"\n[sweep]\nstate = "free air"\n')
    assert "rig_left_out" in {note.code for note in fit_bench(curve).quality}
