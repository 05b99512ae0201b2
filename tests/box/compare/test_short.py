"""The short answer of a comparison says what its levels say."""

from dataclasses import replace

import numpy as np

from tsfit.box.compare.conditions import Candidate, same_qtc, same_volume
from tsfit.box.compare.drivers import compare
from tsfit.box.compare.short import in_short
from tsfit.driver.record import Driver

OLD = Driver("Dunlin 12", 5.4, 25.0, 5.0, 0.42, Mms=0.11, Sd=0.052, Xmax=0.022, Pe=300.0)
STRONGER = replace(OLD, name="Dunlin 12 S", Qes=0.30)


def test_in_short_over_all_boxes_at_three_frequencies():
    """The levels themselves say so: travel alone stops both, 20 lg(28/22) = 2.1 dB (common practice, no source)."""
    cases = [same_qtc(0.707), same_volume(0.06)]
    longer = [Candidate(replace(OLD, Pe=1e6)), Candidate(replace(OLD, name="Dunlin 12 L", Xmax=0.028, Pe=1e6))]
    assert in_short(compare(longer, cases)) == [
        "Dunlin 12 L against Dunlin 12, as loud as the limits let each: 2.1 dB louder at 25, 50 and 100 Hz."
    ]
    found = compare([Candidate(replace(one, Pe=None, Xmax=None)) for one in (OLD, STRONGER)], cases)
    (said,) = in_short(found)
    at = [int(np.searchsorted(found.cases[0].frequency_hz, 25.0)) for _ in cases]
    quieter = [-case.differences["equal power"][0].db[k] for case, k in zip(found.cases, at, strict=True)]
    span = f"{min(quieter):.1f} to {max(quieter):.1f}" if min(quieter) > 0.05 else f"up to {max(quieter):.1f}"
    assert f"at equal power: {span} dB quieter at 25 Hz" in said
    assert "they cross at " in said


def test_who_reaches_lower_and_what_to_take_for_which_use():
    """In one closed Qtc of 0.707 f3 is fc = 0.707·Fs/Qts: the weaker motor reaches lower (Small 1972), from memory."""
    weak, strong = (replace(one, Pe=1e6) for one in (OLD, STRONGER))
    (said,) = in_short(compare([Candidate(weak), Candidate(replace(strong, Xmax=0.030))], [same_qtc(0.707)]))
    assert f"{weak.name} reaches lower" in said
    assert said.endswith(f"Take {strong.name} for level, {weak.name} for the lowest notes at levels that both reach.")
    (said,) = in_short(compare([Candidate(replace(weak, Xmax=0.030)), Candidate(strong)], [same_qtc(0.707)]))
    assert said.endswith(f"Take {weak.name}: lower and louder.")
