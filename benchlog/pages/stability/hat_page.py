"""The sections of devices measured together: each one's own stability."""

import re
from collections.abc import Iterator
from typing import Final

from benchlog.evaluation.stability.hat_study import HatStudy
from benchlog.evaluation.stability.hat_wording import (
    device_names,
    hat_answers,
    hat_rule,
    hat_table,
    letter,
)
from benchlog.pages.content import (
    Block,
    Chart,
    Notice,
    Prose,
    Section,
    Table,
    outside,
    printed,
    section,
    table,
)
from benchlog.plotting.hat_picture import draw_hat, hat_in_words
from benchlog.plotting.pictures import new_figure
from benchlog.units import as_stated, in_powers, iso_utc

_EXPONENT: Final = re.compile(r"\)e([+-]\d+)")
SOURCES = (
    "Three-cornered hat (from memory): J. E. Gray, D. W. Allan, 28th Frequency Control "
    "Symposium (1974); J. Groslambert et al., 35th Frequency Control Symposium (1981); "
    "A. Premoli, P. Tavella, IEEE Trans. Instrum. Meas. 42 (1993); E. Lantz et al., "
    "IEEE Trans. UFFC 66 (2019).",
)


def hat_sections(found: HatStudy) -> Iterator[Section]:
    """Yield what a page says of devices measured together."""
    yield section("What came out", *_answers(found))
    yield section("Own stability", _chart(found), _table(found))
    yield section("Covariance", _covariances(found))
    yield section("Runs", _runs(found))


def _answers(found: HatStudy) -> Iterator[Block]:
    if found.simulated:
        yield Notice("Simulated data: nothing here was measured on real devices.")
    for note in found.notes:
        yield Notice(printed(f"{note[:1].upper()}{note[1:]}."))
    yield Prose((*map(printed, hat_answers(found)), hat_rule(found)))


def _chart(found: HatStudy) -> Chart:
    figure, (axes,) = new_figure(size=(7.2, 3.8))
    names = device_names(found)
    draw_hat(axes, found.hat, names)
    return Chart(
        f"{found.hat.kind} of each device's own, with 95 % intervals; arrows: not "
        "resolved, below this",
        f"{hat_in_words(found.hat, names)} The table below has the figures.",
        figure,
    )


def _table(found: HatStudy) -> Table:
    heads, cells, stands = hat_table(found)
    rows = [tuple(_EXPONENT.sub(_powers, cell) for cell in row) for row in cells]
    names = "; ".join(device_names(found))
    return table("Own deviations with 95 % intervals", heads, rows, stands, f"{names}.")


def _covariances(found: HatStudy) -> Table:
    """Return correlations at the averaging time that has the most pairs."""
    row = found.hat.rows[0]
    own = row.covariance.diagonal()
    count = len(found.runs)
    rows = [
        (
            letter(i),
            *(
                _correlation(row.covariance[i, j], own[i], own[j]) if j < i else ""
                for j in range(count)
            ),
        )
        for i in range(count)
    ]
    return table(
        f"Correlation of the devices at {as_stated(row.tau_s, 4)} s",
        ("", *(letter(k) for k in range(count))),
        rows,
        "l" + "r" * count,
        "The covariance closest to independent devices that the differences allow.",
    )


def _correlation(covariance: float, first: float, second: float) -> str:
    if first <= 0 or second <= 0:  # the covariance put it at none
        return "-"
    rounded = round(covariance / (first * second) ** 0.5, 2)
    return f"{rounded + 0.0:.2f}"


def _powers(match: re.Match[str]) -> str:
    """Return what common exponent a bracket has, as pages print powers."""
    return f") × {in_powers(f'1e{match.group(1)}').removeprefix('1 × ')}"


def _runs(found: HatStudy) -> Table:
    rows = [
        (
            letter(k),
            run.id,
            outside(run.device),
            run.part.id,
            outside(f"{run.bench}, {run.position}"),
            (iso_utc(run.made_utc_ns[0]) or "")[:16].replace("T", " "),
        )
        for k, run in enumerate(found.runs)
    ]
    headers = ("", "Run", "Device", "Part", "Bench", "Begun")
    return table("The runs", headers, rows, "lr")
