"""How runs stand as OpenMetrics text (version 1.0.0), by prometheus-client.

Names and units follow that specification: base units, so frequency offsets are ratios
(1 ppm is 1e-6), durations are seconds. The dashboard multiplies what is read in ppm.
Unknown figures have no sample. Labels hold what people typed, made printable.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from benchlog.errors import MissingExtraError
from benchlog.evaluation.run_evaluation import BROKEN_OFF
from benchlog.evaluation.verdict_wording import known
from benchlog.metrics.followed_runs import RunFacts
from benchlog.model import DEVICE_ID_CHARACTERS, Decision
from benchlog.units import printable
from benchlog.version import __version__

try:
    from prometheus_client import core
    from prometheus_client.openmetrics.exposition import generate_latest
    from prometheus_client.registry import Collector
except ImportError as error:
    raise MissingExtraError("metrics need prometheus-client", "metrics") from error

CONTENT_TYPE: Final = "application/openmetrics-text; version=1.0.0; charset=utf-8"
LABELS: Final = ("device", "position", "run")
_STATES: Final = ("running", BROKEN_OFF, "ended")
_PPM: Final = 1e6  # definition
_GAUGES: Final = (
    (
        "offset",
        "ratio",
        "Mean frequency offset from nominal, corrected; 1 ppm is 1e-6.",
    ),
    ("offset_uncertainty", "ratio", "Expanded uncertainty U (95 %) of the offset."),
    ("limit", "ratio", "What the offset is held against, plus and minus."),
    ("jitter", "ratio", "Scatter of the readings at the gate, rms."),
    ("frequency", "hertz", "What the newest reading is of the device, not corrected."),
    ("ambient", "celsius", "Ambient temperature of the newest reading."),
    (
        "reading_age",
        "seconds",
        "Time since the newest reading, or since the run began while there is none.",
    ),
)
"""Name, unit and help of what is told of each run."""
_COUNTERS: Final = (
    ("readings", "Readings, or pulses of the device, that were accepted."),
    ("gaps", "Stretches without readings."),
    ("alarms", "Alarms that were raised."),
)


@dataclass(frozen=True, slots=True)
class _Families(Collector):
    """What `generate_latest` goes through."""

    families: "Sequence[core.Metric]"

    def collect(self) -> "Iterable[core.Metric]":
        return self.families


def metrics_text(runs: Sequence[RunFacts] | None, left_out: int = 0) -> bytes:
    """Return how runs stand as OpenMetrics text; None where nothing could be read."""
    found: Sequence[RunFacts] = runs or ()
    families = [
        *_of_the_program(runs is not None, left_out),
        *_info(found),
        *_gauges(found),
        *_counters(found),
        *_states(found),
    ]
    text: bytes = generate_latest(_Families(families))  # type: ignore[no-untyped-call]
    return text


def _of_the_program(is_readable: bool, left_out: int) -> "Iterator[core.Metric]":
    yield core.InfoMetricFamily(
        "benchlog", "The program that tells.", value={"version": __version__}
    )
    yield core.GaugeMetricFamily(
        "benchlog_database_readable",
        "Whether the database could be read, 1 or 0.",
        value=float(is_readable),
    )
    yield core.GaugeMetricFamily(
        "benchlog_runs_left_out",
        "Runs whose record is too damaged to tell anything.",
        value=left_out,
    )


def _info(runs: Sequence[RunFacts]) -> "Iterator[core.Metric]":
    family = core.InfoMetricFamily(
        "benchlog_run", "What a run is of and for.", labels=LABELS
    )
    for one in runs:
        run = one.evaluation.run
        told = {
            "run_uid": run.uid,
            "part": run.part.id,
            "bench": run.bench,
            "lot": run.lot or "",
            "purpose": run.made_for.value,
            "simulated": "true" if one.evaluation.simulated else "false",
        }
        family.add_metric(_who(one), {key: _label(told[key]) for key in told})
    yield family


def _gauges(runs: Sequence[RunFacts]) -> "Iterator[core.Metric]":
    for name, unit, told in _GAUGES:
        family = core.GaugeMetricFamily(
            f"benchlog_{name}", told, labels=LABELS, unit=unit
        )
        for one in runs:
            value = known(_gauge(one, name))
            if value is not None:
                family.add_metric(_who(one), value)
        yield family


def _gauge(one: RunFacts, name: str) -> float | None:
    a = one.evaluation.assessment
    ppm = {
        "offset": a.offset_ppm,
        "offset_uncertainty": a.u_ppm,
        "limit": a.limit.ppm if a.limit.known else None,
        "jitter": a.stats.jitter_ppm_rms,
    }
    if name in ppm:
        value = ppm[name]
        return None if value is None else value / _PPM
    newest = {"frequency": one.frequency_hz, "ambient": one.ambient_c}
    return newest.get(name, one.age_s)


def _counters(runs: Sequence[RunFacts]) -> "Iterator[core.Metric]":
    for name, told in _COUNTERS:
        family = core.CounterMetricFamily(f"benchlog_{name}", told, labels=LABELS)
        for one in runs:
            gaps = one.evaluation.assessment.stats.gaps
            counts = {"readings": one.readings, "gaps": gaps, "alarms": one.alarms}
            family.add_metric(_who(one), counts[name])
        yield family


def _states(runs: Sequence[RunFacts]) -> "Iterator[core.Metric]":
    verdict = core.StateSetMetricFamily(
        "benchlog_verdict", "Verdict by what there is so far.", labels=LABELS
    )
    state = core.StateSetMetricFamily(
        "benchlog_run_state", "Whether a keeper has the run.", labels=LABELS
    )
    for one in runs:
        found = one.evaluation
        if not found.checked_instrument:
            words = {word.value: word is found.decision for word in Decision}
            verdict.add_metric(_who(one), words)
        state.add_metric(_who(one), {word: word == found.state for word in _STATES})
    yield verdict
    yield state


def _who(one: RunFacts) -> tuple[str, ...]:
    run = one.evaluation.run
    return _label(run.device), _label(run.position), str(run.id)


def _label(text: str) -> str:
    return printable(text[:DEVICE_ID_CHARACTERS])
