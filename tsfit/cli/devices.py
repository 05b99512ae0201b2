"""``tsfit devices``: what can run a rig."""

import click

from tsfit.cli.output import Outputs, with_outputs
from tsfit.cli.printing import print_table


@click.command()
@with_outputs("as_json")
def devices(outputs: Outputs) -> None:
    """List the sound devices that can run a rig: two inputs and an output at once.

    Any part of a name that fits only one device goes into the rig file's [playback] as device = "...".

    \b
    Example:
      tsfit devices
    """  # noqa: D301
    from tsfit.base.errors import TsfitError
    from tsfit.capture.device import list_devices

    found = list_devices()
    if not found:
        raise TsfitError(
            "No sound device with two inputs and an output is there; connect one, start its sound server, or learn with "
            'the rig whose device is "simulated".',
            code="no_device",
        )
    rows = [
        [
            device.name,
            device.host_api,
            f"{device.inputs} in, {device.outputs} out",
            ", ".join(f"{rate / 1000:g}" for rate in device.rates_hz) or "-",
        ]
        for device in found
    ]
    outputs.show(
        [{**vars(device), "label": device.label} for device in found],
        lambda: print_table(["device", "host API", "channels", "rates, kHz"], rows),
    )
