"""An uncertainty budget as a table, line by line with where each comes from."""

from benchlog.report.pages.content import Table, table
from benchlog.report.words import freedom_text, three_digits
from benchlog.verdict.budget import Budget


def budget_table(budget: Budget, title: str) -> Table:
    """Return the lines of a budget, combined and expanded; figures are in ppm."""
    rows: list[tuple[str, ...]] = [
        (
            line.name,
            three_digits(line.u_ppm),
            freedom_text(line.degrees_of_freedom),
            line.distribution,
            line.text,
        )
        for line in budget.lines
    ]
    freedom = freedom_text(budget.degrees_of_freedom)
    rows.append(("combined", three_digits(budget.u_ppm), freedom, "", ""))
    expanded = three_digits(budget.expanded_ppm)
    rows.append(("expanded, U", expanded, "", "", f"k = {budget.k:.2f}, 95 %"))
    headers = ("Contribution", "u, ppm", "Freedom", "Shape", "From")
    return table(title, headers, rows, "lrr")
