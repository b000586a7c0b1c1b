"""Writes `tests/requirements.lock`: what CI tests with, each package with its hash.

    python tests/lock.py

pip resolves the extras `test` and `lint` as on a fresh computer, without installing
anything, and tells the files that it would take. They are those of this system and
Python; on another one write the lock anew. To test with exactly these packages:

    pip install --require-hashes -r tests/requirements.lock
    pip install --no-deps -e .
"""

import json
import platform
import subprocess
import sys
from pathlib import Path
from typing import Any

TOP = Path(__file__).parents[1]
LOCK = Path(__file__).with_name("requirements.lock")
DRY = ("-m", "pip", "install", "--dry-run", "--ignore-installed", "--quiet")
OURS = "benchlog-clocks"


def main() -> None:
    lines = {*chosen(".[test,lint]"), *chosen("--no-deps", "allantools")}
    python = f"{platform.python_implementation()} {platform.python_version()}"
    system = f"{platform.system()} {platform.machine()}"
    head = f"# {system}, {python}; written by `python tests/lock.py`\n"
    LOCK.write_text(head + "".join(sorted(lines)), "utf-8")
    print(f"{len(lines)} packages in {LOCK.relative_to(TOP)}")


def chosen(*words: str) -> list[str]:
    """Return a line of the lock for each package that pip would install."""
    command = [sys.executable, *DRY, "--report", "-", *words]
    done = subprocess.run(command, cwd=TOP, capture_output=True, text=True, check=True)
    found = json.loads(done.stdout)["install"]
    return [line for one in found if (line := locked(one)) is not None]


def locked(one: dict[str, Any]) -> str | None:
    name, version = one["metadata"]["name"].lower(), one["metadata"]["version"]
    if name == OURS:
        return None
    sha256 = one["download_info"]["archive_info"]["hashes"]["sha256"]
    return f"{name}=={version} --hash=sha256:{sha256}\n"


if __name__ == "__main__":
    main()
