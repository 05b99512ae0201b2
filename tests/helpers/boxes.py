"""Boxes told in one flat call: every value by the name that its record gives it, wherever it stands in the plan."""

from __future__ import annotations

from dataclasses import fields

from tsfit.box.design.search import VentedSearch
from tsfit.box.enclosure import Enclosure
from tsfit.box.kinds import PLANS, ClosedChamber, VentedChamber
from tsfit.box.limits import Ratings
from tsfit.box.parts import DriverSet, Filling, Opening, Radiator, StatedDrive, StatedLosses
from tsfit.box.ports import Port
from tsfit.circuit.load import Load, Losses


def _taken(record, values, **renamed):
    """Take the fields of `record` out of `values`; `renamed` tells what some are called there."""
    names = {item.name: renamed.get(item.name, item.name) for item in fields(record)}
    return {field: values.pop(name) for field, name in names.items() if name in values}


def _radiator(values):
    names = {name: f"radiator_{name}" for name in ("mass", "area", "fs", "compliance", "qms")}
    return Radiator(**_taken(Radiator, values, count="radiators", **names))


def box_plan(kind, **values):
    """Plan a box: `ratings` as a dictionary or record; `port_diameter` stands for a plain round port."""
    values = {name: value for name, value in values.items() if value is not None}
    ratings = values.pop("ratings", {})
    plan = {"ratings": ratings if isinstance(ratings, Ratings) else Ratings(**ratings)}
    plan["drivers"] = DriverSet(**_taken(DriverSet, values, count="drivers"))
    plan["drive"] = StatedDrive(**_taken(StatedDrive, values))
    if kind != "baffle":
        losses, filling = StatedLosses(**_taken(StatedLosses, values)), Filling(**_taken(Filling, values, factor="filling"))
    if kind in ("closed", "vented", "passive"):
        plan |= {"losses": losses, "filling": filling}
    if kind == "passive":
        plan["radiator"] = _radiator(values)
    if kind in ("vented", "bandpass"):
        diameter = values.pop("port_diameter", None)
        port = values.pop("port", None) if diameter is None else Port(diameter)
        plan["opening"] = Opening(port, *(values.pop(name, None) for name in ("port_length", "depth", "effective")))
    if kind == "bandpass":
        rear = StatedLosses(**_taken(StatedLosses, values, leak_q="rear_leak_q", absorption_q="rear_absorption_q"))
        plan["rear"] = ClosedChamber(volume=values.pop("rear_volume"), losses=rear, filling=filling)
        front = _taken(VentedChamber, values, volume="front_volume")
        plan["front"] = VentedChamber(**{**front, "losses": losses})
    return PLANS[kind](**plan, **values)


def _built(kind, driver, frequency_hz=None, **values):
    return box_plan(kind, **values).build(driver, frequency_hz)


def vented_search(driver, limits, voltage=2.83, **losses):
    """Make a search for a vented box of one driver."""
    return VentedSearch(Enclosure("vented", driver, Load(), voltage), limits, Losses(**losses))


def closed_box(driver, **values):
    """Build a closed box; `frequency_hz` where its curves are wanted."""
    return _built("closed", driver, **values)


def vented_box(driver, **values):
    """Build a vented box."""
    return _built("vented", driver, **values)


def passive_box(driver, **values):
    """Build a box with passive radiators."""
    return _built("passive", driver, **values)


def band_pass_box(driver, **values):
    """Build a band-pass box."""
    return _built("bandpass", driver, **values)


def infinite_baffle(driver, **values):
    """Build an infinite baffle."""
    return _built("baffle", driver, **values)
