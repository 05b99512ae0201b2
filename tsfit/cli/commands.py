"""Which commands there are, where each lives, and the steps of the job under which the overview lists them."""

COMMANDS: dict[str, tuple[str, str]] = {
    "devices": ("tsfit.cli.devices:devices", "List the sound devices that can run a rig."),
    "rig": ("tsfit.cli.rig:rig", "Check a rig, calibrate it, and prove the calibration."),
    "sweep": ("tsfit.cli.sweep:sweep", "Record one state of a driver on a rig."),
    "fit": ("tsfit.cli.fit.command:fit", "Turn all sweeps of one driver into parameters with uncertainty."),
    "heat": ("tsfit.cli.heat:heat", "Tell from a run at power what heat a coil stands."),
    "travel": ("tsfit.cli.travel:travel", "Tell how far a driver goes, and what stops it."),
    "check": ("tsfit.cli.check.command:check", "Judge a published datasheet against a fit."),
    "drift": ("tsfit.cli.drift.command:drift", "Log a driver's fits; see what its hours of use moved."),
    "box": ("tsfit.cli.box.group:box", "Plan, equalise, draw and verify a box for a driver."),
    "try": ("tsfit.cli.live:live", "Turn the knobs of a box on a page, and see what moves."),
    "compare": ("tsfit.cli.compare:compare", "Compare drivers in the same boxes: which, where, how sure."),
    "report": ("tsfit.cli.report:report", "Make one page of fits, checks, boxes, comparisons and logs."),
    "start": ("tsfit.cli.start:start", "Make a new bench folder with files to fill in."),
    "guide": ("tsfit.cli.guide:guide", "Read a guide: bench, files, datasheet, boxes, hours, uncertainty, …"),
    "completion": ("tsfit.cli.completion:completion", "Print what makes your shell complete tsfit's words."),
    "demo": ("tsfit.cli.demo:demo", "Play the whole job on the sample data; needs no hardware."),
}
"""Where each command lives and its line in the overview, in the order of the job."""


STEPS: dict[str, tuple[str, ...]] = {
    "Measure": ("devices", "rig", "sweep", "fit", "travel", "heat"),
    "Judge": ("check", "drift"),
    "Decide": ("box", "try", "compare"),
    "Show": ("report",),
    "Get used to it": ("demo", "start", "guide", "completion"),
}
"""Steps of the job, under which the overview lists its commands."""
