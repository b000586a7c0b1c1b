"""Whether a counter can look at the input that [reference] names."""

from benchlog import registry
from benchlog.driver_kit.scpi_driver import ScpiDriver
from benchlog.driver_kit.settings import setting_fault
from benchlog.model import Bench, Dialect


def input_fault(bench: Bench) -> str:
    """Return why `refcheck` could not have a counter look at the reference's input.

    Empty when it can, and when pulses are compared instead. What a driver in SCPI can
    choose, its dialect tells; any other can choose what it has an option for.
    """
    reference = bench.reference
    if reference is None or reference.input is None or reference.pulses is not None:
        return ""
    counter = bench.instruments[reference.counter]
    driver = registry.load(counter.driver)
    faults: list[str] = []
    if all(option.name != "input" for option in driver.options):
        faults.append(f"driver {counter.driver!r} has no input to choose; remove it")
    elif issubclass(driver, ScpiDriver):
        given = counter.options.values()
        dialects = [one for one in given if isinstance(one, Dialect)]
        faults += [setting_fault(one, "input", counter.address) for one in dialects]
    said = "".join(faults)
    return said and f"[reference] input = {reference.input}: {said}"
