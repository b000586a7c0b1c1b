"""What a setter's process reports, waited for."""

from collections.abc import Callable

from benchlog.clock import host_deadline, host_sleep
from benchlog.recorder.rack.setter_handle import SetterHandle, SetterReport


def heard(
    handle: SetterHandle,
    wanted: Callable[[SetterReport], bool],
    within_s: float = 30.0,
) -> SetterReport:
    """Return the first report that is wanted; AssertionError when none comes."""
    limit = host_deadline(within_s)
    while not limit.passed:
        for report in [*handle.tend(), *(handle.hear() if handle.running else ())]:
            if wanted(report):
                return report
        host_sleep(0.01)
    raise AssertionError("it was not reported")
