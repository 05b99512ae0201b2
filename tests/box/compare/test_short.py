"""The short answer of a comparison says what its levels say."""

from dataclasses import replace

import numpy as np
from helpers.made_fit import made_driver, made_fit

from tsfit.box.compare.conditions import Candidate, same_qtc, same_volume
from tsfit.box.compare.drivers import compare
from tsfit.box.compare.short import how_sure, in_short, of_measured
from tsfit.box.limits import Ratings
from tsfit.driver.record import Driver, MeasuredLimits

OLD = Driver("Dunlin 12", 5.4, 25.0, 5.0, 0.42, Mms=0.11, Sd=0.052, Xmax=0.022, Pe=300.0)
STRONGER = replace(OLD, name="Dunlin 12 S", Qes=0.30)


def test_in_short_over_all_boxes_at_three_frequencies():
    """The levels themselves say so: travel alone stops both, 20 lg(28/22) = 2.1 dB (common practice, no source)."""
    cases = [same_qtc(0.707), same_volume(0.06)]
    longer = [Candidate(replace(OLD, Pe=1e6)), Candidate(replace(OLD, name="Dunlin 12 L", Xmax=0.028, Pe=1e6))]
    assert in_short(compare(longer, cases)) == [
        "Dunlin 12 L against Dunlin 12, each at its loudest, with travel as printed: 2.1 dB louder at 25, 50 and 100 Hz."
    ]
    found = compare([Candidate(replace(one, Pe=None, Xmax=None)) for one in (OLD, STRONGER)], cases)
    said, missing = in_short(found)
    assert missing == f"Maximum level not told: {OLD.name} and {STRONGER.name} have no rating."
    one = in_short(compare([Candidate(OLD), Candidate(replace(STRONGER, Pe=None, Xmax=None))], cases))[-1]
    assert one.endswith(f" told: {STRONGER.name} has no rating.")
    at = [int(np.searchsorted(found.cases[0].frequency_hz, 25.0)) for _ in cases]
    quieter = [-case.differences["equal power"][0].db[k] for case, k in zip(found.cases, at, strict=True)]
    span = f"{min(quieter):.1f} to {max(quieter):.1f}" if min(quieter) > 0.05 else f"up to {max(quieter):.1f}"
    assert f"at equal power: {span} dB quieter at 25 Hz" in said
    crossings = [hz for case in found.cases for hz in case.differences["equal power"][0].crossings_hz]
    assert f"they cross, by the box, between {min(crossings):.0f} and {max(crossings):.0f} Hz" in said


def test_who_reaches_lower_and_what_to_take_for_which_use():
    """In one closed Qtc of 0.707 f3 is fc = 0.707·Fs/Qts: the weaker motor reaches lower (Small 1972), from memory."""
    weak, strong = (replace(one, Pe=1e6) for one in (OLD, STRONGER))
    (said,) = in_short(compare([Candidate(weak), Candidate(replace(strong, Xmax=0.030))], [same_qtc(0.707)]))
    assert f"{weak.name} has the lower f3." in said
    assert said.endswith(f"Take {strong.name} for level, {weak.name} for lower notes at levels that both reach.")
    (said,) = in_short(compare([Candidate(replace(weak, Xmax=0.030)), Candidate(strong)], [same_qtc(0.707)]))
    assert said.endswith(f"Take {weak.name}: lower and louder.")


def test_a_lower_f3_that_brings_no_more_bass_is_not_sold_as_lower():
    """One motor and suspension, a cone of 0.8 of the mass: stiffness and losses rule the bass, what lies above gains."""
    root = 0.8**0.5
    heavy = replace(OLD, Pe=1e6)
    lighter = replace(heavy, name="Dunlin 12 L", Fs=25.0 / root, Qms=5.0 * root, Qes=0.42 * root, Mms=0.088, Xmax=0.030)
    (said,) = in_short(compare([Candidate(heavy), Candidate(lighter)], [same_volume(0.06)]))
    assert f"{heavy.name} has the lower f3, but at equal power no more bass: it is only flatter." in said
    assert said.endswith(f"Take {lighter.name} for level.")


def test_a_lead_that_is_not_worth_a_choice_is_none():
    """Where travel stops both, 20 lg(22.2/22) = 0.08 dB; where power does, twice of it is 3 dB; both are told."""
    weak, strong = replace(OLD, Pe=4000.0), replace(STRONGER, Xmax=0.0222, Pe=8000.0)
    found = compare([Candidate(weak), Candidate(strong)], [same_qtc(0.707)])
    (said,) = in_short(found)
    db, hz = found.cases[0].differences["limits"][0].db, found.cases[0].frequency_hz
    starts = hz[(db >= 0.5) & (hz >= 15.0)].min()
    assert "as loud at 25 and 50 Hz (within 0.1 dB)" in said
    assert said.endswith(
        f"Take {strong.name} for level above {starts:.0f} Hz, {weak.name} for lower notes without equaliser."
    )
    (said,) = in_short(compare([Candidate(replace(one, Pe=1e6)) for one in (weak, strong)], [same_qtc(0.707)]))
    assert said.endswith(f"Take {weak.name}: as loud, and lower.")


def test_a_lower_f3_that_brings_more_bass_in_one_box_only_names_it():
    """A lighter cone on one motor and suspension brings no less bass in one box (above); in one Qtc its box is smaller."""
    root = 0.8**0.5
    heavy = replace(OLD, Pe=1e6)
    lighter = replace(heavy, name="Dunlin 12 L", Fs=25.0 / root, Qms=5.0 * root, Qes=0.42 * root, Mms=0.088, Xmax=0.030)
    found = compare([Candidate(heavy), Candidate(lighter)], [same_volume(0.06), same_qtc(0.707)])
    bass = -found.cases[1].differences["equal power"][0].db[found.cases[1].frequency_hz == 20.0][0]
    assert bass > 0.5
    (said,) = in_short(found)
    told = f"means more bass in one box (closed, Qtc 0.707, by up to {bass:.1f} dB), in the other only less level above."
    assert f"the lower f3 of {heavy.name} {told}" in said
    assert said.endswith(
        f"Take {lighter.name} for level, {heavy.name} for lower notes in that box at levels that both reach."
    )


def test_how_sure_a_difference_is_is_that_of_the_draws_and_of_what_is_printed():
    typed = compare([Candidate(OLD), Candidate(STRONGER)], [same_qtc(0.707)])
    assert how_sure(typed).startswith("None of these drivers comes as a fit")
    fit = made_fit(replace(made_driver(), Xmax=0.006, Pe=100.0), spread=0.02)
    names = ("Re", "Fs", "Qms", "Qes", "Mms", "Sd")
    fit = replace(fit, correlation_names=names, correlation=np.eye(6))
    fit = replace(fit, parameters={name: fit.parameters[name] for name in names})
    found = compare([Candidate(fit.driver, fit), Candidate(replace(fit.driver, name="Twin"))], [same_volume(0.02)])
    hz, one = found.cases[0].frequency_hz, found.cases[0].differences["limits"][0]
    at = [int(np.searchsorted(hz, each)) for each in (25.0, 50.0, 100.0)]
    widest = max(max(one.high_db[k] - one.db[k], one.db[k] - one.low_db[k]) for k in at)
    assert widest > 0.15
    assert how_sure(found) == (
        "If what is printed holds (to test it: tsfit guide travel), differences are sure to "
        f"±{widest:.1f} dB (95 %), Twin taken as exact."
    )


def test_a_driver_taken_as_exact_ends_the_sentence_where_no_limit_is_printed():
    fit = made_fit(made_driver(), spread=0.02)
    found = compare([Candidate(fit.driver, fit), Candidate(replace(fit.driver, name="Twin"))], [same_volume(0.02)])
    assert how_sure(found).endswith("dB (95 %), Twin taken as exact.")


def test_limits_are_printed_ones_until_measured_or_stated():
    case, long = [same_qtc(0.707)], MeasuredLimits(xmax_m=0.009, travel="Travel as measured: 9 mm.")
    old, new = (Candidate(replace(one, Xmax=0.009)) for one in (OLD, STRONGER))
    stated, measured = replace(new, ratings=Ratings(xmax_m=0.009)), Candidate(replace(new.driver, measured=long))
    bare = Ratings(xmax_m=0.008, power_w=200.0)
    for pair, words in (
        ((old, new), ", with travel and power as printed: "),
        ((old, stated), f", with the printed travel of {OLD.name} and printed power of both: "),
        ((old, measured), f", with the printed travel of {OLD.name} and printed power of both: "),
        ((replace(old, ratings=bare), replace(new, ratings=bare)), "each at its loudest: "),
    ):
        assert words in in_short(compare(pair, case))[0]
    told = of_measured(compare([old, measured], case))
    assert told == [
        f"{STRONGER.name}: Travel as measured: 9 mm.",
        f"Measure {OLD.name} too before the choice hangs on it.",
    ]
    assert of_measured(compare([old, new], case)) == []
    # Power that never stops anybody decides nothing.
    strong = [Candidate(replace(one, Pe=1e6)) for one in (OLD, STRONGER)]
    assert ", with travel as printed: " in in_short(compare(strong, case))[0]


def test_two_crossings_in_one_box_are_two_places():
    """A heavier cone with a weaker motor: the levels themselves change sign at two places, which are no span."""
    deep = replace(OLD, name="Dunlin 12 D", Mms=1.2 * 0.11, Qes=0.6, Fs=25.0 / 1.2**0.5)
    pair = [Candidate(replace(one, Pe=None, Xmax=None)) for one in (OLD, deep)]
    found = compare(pair, [same_volume(0.06)])
    hz, (first, other) = found.cases[0].frequency_hz, found.cases[0].level_db["equal power"]
    changes = np.flatnonzero(np.diff(np.sign(other - first)) * ((hz > 15.0) & (hz < 250.0))[1:])
    low, high = (0.5 * (hz[k] + hz[k + 1]) for k in changes)
    said = in_short(found)[0]
    told = [float(place) for place in said.split("they cross near ")[1].split(" Hz")[0].split(" and ")]
    np.testing.assert_allclose(told, [low, high], atol=1.0)
    (said, _) = in_short(compare(pair, [same_volume(0.06), same_volume(0.065)]))
    assert ", by the box." in said
