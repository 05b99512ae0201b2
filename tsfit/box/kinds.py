"""Every kind of box that can be planned."""

from __future__ import annotations

from tsfit.box.closed import BafflePlan, ClosedPlan
from tsfit.box.enclosure import Kind
from tsfit.box.passive import PassivePlan
from tsfit.box.plan import BoxPlan
from tsfit.box.vented import BandPassPlan, VentedPlan

PLANS: dict[Kind, type[BoxPlan]] = {
    plan.kind: plan for plan in (ClosedPlan, VentedPlan, PassivePlan, BafflePlan, BandPassPlan)
}
