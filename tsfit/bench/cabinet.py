"""The sweep of a finished cabinet, whatever holds it."""

from pathlib import Path

from tsfit.driver.curve import ImpedanceCurve


def read_cabinet(path: Path, rig: Path | None) -> ImpedanceCurve:
    """Read the curve of a finished cabinet: text or Touchstone, or a recording on `rig`; raises as the readers."""
    if rig is None:
        from tsfit.base.errors import TsfitError
        from tsfit.formats.curve import read_curve
        from tsfit.formats.foreign import kinds_of

        if "recording" in kinds_of(path):
            message = f"{path}: is no impedance curve but a recording; tsfit takes it with --rig, on which it was made."
            raise TsfitError(message, code="wrong_file_type", file=path)

        return read_curve(path)
    from tsfit.capture.impedance import impedance_from_recording
    from tsfit.capture.rig import read_rig

    return impedance_from_recording(path, read_rig(rig))
