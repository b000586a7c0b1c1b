"""Words in letters five lines high, to be read from two metres."""

from typing import Final

_FONT: Final = {
    "A": " ███ |█   █|█████|█   █|█   █",
    "C": " ████|█    |█    |█    | ████",
    "D": "████ |█   █|█   █|█   █|████ ",
    "E": "█████|█    |████ |█    |█████",
    "F": "█████|█    |████ |█    |█    ",
    "I": "███| █ | █ | █ |███",
    "L": "█    |█    |█    |█    |█████",
    "N": "█   █|██  █|█ █ █|█  ██|█   █",
    "P": "████ |█   █|████ |█    |█    ",
    "S": " ████|█    | ███ |    █|████ ",
    "U": "█   █|█   █|█   █|█   █| ███ ",
}
ROWS: Final = 5


def large(word: str) -> list[str]:
    """Return a word as five lines; letters without a shape are left out."""
    shapes = [_FONT[letter].split("|") for letter in word.upper() if letter in _FONT]
    return [" ".join(shape[row] for shape in shapes) for row in range(ROWS)]
