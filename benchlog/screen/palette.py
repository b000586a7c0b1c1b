"""The colours: few, and told apart by colour-blind eyes (blue against orange).

No meaning hangs on colour alone: verdicts are words with a symbol, limits and gaps are
lines of their own kind. Orange is for what is wrong: a failed device, a fault, trouble.
"""

from typing import Final

from textual.theme import Theme

BENCH: Final = Theme(
    name="bench",
    primary="#6cb2eb",
    secondary="#8aa0b4",
    accent="#f0a44b",
    warning="#f0a44b",
    error="#f0a44b",
    success="#6cb2eb",
    foreground="#dfe5ea",
    background="#12161b",
    surface="#12161b",
    panel="#1b2129",
    dark=True,
    variables={
        "pass": "#6cb2eb",
        "fail": "#f0a44b",
        "undecided": "#c8cdd2",
        "attention": "#f0c987",
        "key": "#9fd0f5",
        "dim": "#93a1ae",
        "trace": "#6cb2eb",
        "limit": "#aeb8c2",
        "block-cursor-background": "#2c4a63",
        "block-cursor-foreground": "#ffffff",
        "input-selection-background": "#2c4a63",
    },
)
