"""Runs and devices that are named by what a scanner read off a label."""

from benchlog.errors import NotFoundError, UsageError
from benchlog.model import Purpose, Run, device_id_fault
from benchlog.model.run_codes import run_code
from benchlog.store.reader import Reader


def coded_run(reader: Reader, text: str) -> Run | None:
    """Return the run that a scanned text names; None where it can be a device's id.

    Raises NotFoundError for a URN or an address whose run is not in this database,
    UnreadableRunError for a damaged one.
    """
    code = run_code(text)
    if code is None:
        return None
    number = reader.number_of(code.uid)
    if number is not None:
        return reader.run(number)
    if code.alone:
        return None
    raise NotFoundError(
        "run",
        code.uid,
        (),
        "in this database: the label was made from another one; type the device's id",
    )


def scanned_device(reader: Reader, text: str) -> str:
    """Return the device that is meant by an id or by the code of one of its runs.

    Raises as `coded_run`; UsageError for a run that is of no device, or of one whose id
    nobody could type.
    """
    run = coded_run(reader, text)
    if run is None:
        return text
    if run.made_for is Purpose.REFCHECK:
        raise UsageError(
            f"run {run.id} checks a time base; no device is labelled by it"
        )
    if fault := device_id_fault(run.device):
        raise UsageError(f"the device of run {run.id} cannot be named: {fault}")
    return run.device
