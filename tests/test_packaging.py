"""Tests about the build: what would only be noticed after somebody installed it."""

import re
import shutil
import subprocess
import sys
import tomllib
from importlib.metadata import entry_points
from importlib.resources import files
from pathlib import Path

import pytest

from benchlog import __version__, registry
from benchlog.driver import Driver
from benchlog.manual import read_page

TOP = Path(__file__).parents[1]
PROJECT = tomllib.loads((TOP / "pyproject.toml").read_text("utf-8"))
PACKAGES = PROJECT["tool"]["setuptools"]["packages"]
DECLARED = PROJECT["project"]["entry-points"][registry.GROUP]


def in_a_bare_folder(code: str, folder: Path) -> str:
    """Run Python from `folder` as a stranger would; return what it printed."""
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_every_package_folder_is_listed_and_every_listed_one_exists() -> None:
    ours = list(TOP.glob("benchlog/**/__init__.py"))
    names = {".".join(path.parent.relative_to(TOP).parts) for path in ours}
    assert names | {"benchlog.configs", "benchlog_drivers"} == set(PACKAGES)


def test_no_folder_of_drivers_or_configs_is_forgotten() -> None:
    below = [*TOP.glob("drivers/*/**/*.py"), *TOP.glob("configs/*/**/*.py")]
    assert below == [], "drivers and configs are flat: list the package in pyproject"


def test_version_is_said_once() -> None:
    assert PROJECT["project"]["version"] == __version__


def test_the_program_and_its_change_log_name_the_version() -> None:
    said = subprocess.run(
        [sys.executable, "-m", "benchlog.cli", "--version"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert said.stdout.strip() == f"benchlog {__version__}"
    newest = re.search(r"^## (\S+?),", read_page("changes"), re.M)
    assert newest is not None and newest[1] == __version__


def in_git(folder: Path, *words: str) -> str:
    """Run git in a repository of whomever; return what it printed."""
    who = ("-c", "user.name=a", "-c", "user.email=a@b", "-c", "safe.directory=*")
    done = subprocess.run(
        ["git", *who, *words], cwd=folder, capture_output=True, text=True, check=True
    )
    return done.stdout


def disagreeing_tags(folder: Path) -> list[str]:
    """Return the tags `vX.Y.Z` of a repository that name another version than its."""
    found = []
    for tag in in_git(folder, "tag", "--list", "v*").split():
        then = tomllib.loads(in_git(folder, "show", f"{tag}:pyproject.toml"))
        if tag != f"v{then['project']['version']}":
            found.append(tag)
    return found


@pytest.mark.skipif(shutil.which("git") is None, reason="no git here")
def test_tags_agree_with_the_version_they_were_set_at(tmp_path: Path) -> None:
    in_git(tmp_path, "init", "--quiet")
    for version, tag in (("0.1.0", "v0.1.0"), ("0.2.0", "v0.3.0")):
        (tmp_path / "pyproject.toml").write_text(f'[project]\nversion = "{version}"\n')
        in_git(tmp_path, "add", ".")
        in_git(tmp_path, "commit", "--quiet", "--message", version)
        in_git(tmp_path, "tag", tag)
    assert disagreeing_tags(tmp_path) == ["v0.3.0"]
    if (TOP / ".git").exists():
        assert disagreeing_tags(TOP) == []


def test_the_lock_has_all_that_tests_need_each_with_its_hash() -> None:
    """Written by `python tests/lock.py`."""
    head, *lines = (TOP / "tests" / "requirements.lock").read_text().splitlines()
    assert head.startswith("# Linux x86_64, CPython ")
    form = re.compile(r"([a-z0-9._-]+)==(\S+) --hash=sha256:[0-9a-f]{64}")
    found = [form.fullmatch(line) for line in lines]
    assert None not in found
    names = [one[1].replace("_", "-") for one in found if one is not None]
    assert len(names) == len(set(names)) > 50
    extras = PROJECT["project"]["optional-dependencies"]
    wanted = [*PROJECT["project"]["dependencies"], *extras["test"], *extras["lint"]]
    named = {re.split(r"[<>=!;\[ ]", one, maxsplit=1)[0].lower() for one in wanted}
    assert named <= set(names)


def test_console_command_leads_to_main() -> None:
    (point,) = entry_points(group="console_scripts", name="benchlog")
    assert point.value == "benchlog.cli:main"
    assert callable(point.load())


@pytest.mark.parametrize("name", sorted(DECLARED))
def test_declared_driver_loads(name: str) -> None:
    driver = registry.load(name)
    assert issubclass(driver, Driver)
    assert driver.quantity and driver.unit


def test_every_driver_file_with_a_driver_is_registered() -> None:
    registered = {value.split(":")[0] for value in DECLARED.values()}
    written = {
        f"benchlog_drivers.{path.stem}"
        for path in TOP.glob("drivers/*.py")
        if "(Driver)" in path.read_text("utf-8") and not path.stem.startswith("_")
    }
    assert written <= registered


def test_source_folders_do_not_leak_as_top_level_names(tmp_path: Path) -> None:
    code = (
        "from importlib.util import find_spec\n"
        "print([n for n in ('drivers', 'configs', 'tests') if find_spec(n)])"
    )
    assert in_a_bare_folder(code, tmp_path) == "[]"


def test_listing_driver_names_imports_none(tmp_path: Path) -> None:
    code = (
        "import sys; from benchlog import registry; names = registry.names()\n"
        "print(len(names) > 0, [m for m in sys.modules if 'benchlog_drivers' in m])"
    )
    assert in_a_bare_folder(code, tmp_path) == "True []"


def test_importing_the_source_folder_as_drivers_says_what_to_import() -> None:
    code = "import sys; sys.path.insert(0, '.')\ntry: import drivers\n"
    code += "except ImportError as error: print(error)"
    assert "benchlog_drivers" in in_a_bare_folder(code, TOP)


def test_every_toml_file_of_the_checkout_is_installed() -> None:
    written = {
        path.relative_to(TOP / "configs").parts for path in TOP.glob("configs/*/*.toml")
    }
    assert written, "no configuration at all?"
    for parts in written:
        assert files("benchlog.configs").joinpath(*parts).is_file(), parts


def test_every_page_of_the_manual_is_package_data() -> None:
    folder = TOP / "benchlog" / "manual"
    patterns = PROJECT["tool"]["setuptools"]["package-data"]["benchlog.manual"]
    packed = {path.name for pattern in patterns for path in folder.glob(pattern)}
    others = {path.name for path in folder.iterdir() if path.suffix != ".py"}
    assert packed and packed == others - {"__pycache__"}


def test_extras_bring_what_the_remedies_name() -> None:
    extras = PROJECT["project"]["optional-dependencies"]
    named = {extra: " ".join(extras[extra]) for extra in ("usb", "gpib", "dataset")}
    for extra, package in (
        *(("usb", "pyusb"), ("usb", "libusb-package")),
        *(("gpib", "gpib-ctypes"), ("dataset", "pyarrow")),
    ):
        assert package in named[extra]


def test_top_level_holds_what_the_design_says() -> None:
    listed = subprocess.run(
        ["git", "ls-files"], cwd=TOP, capture_output=True, text=True, check=False
    )
    if listed.returncode != 0:
        pytest.skip("not a git checkout")
    tops = {line.split("/")[0] for line in listed.stdout.splitlines()}
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE"}
    allowed |= {"benchlog", "drivers", "tests", "configs"}
    assert {top for top in tops if not top.startswith(".")} <= allowed


def test_our_own_processes_take_nothing_from_the_folder_they_are_begun_in() -> None:
    """A clone, or anybody's `benchlog` folder, must not shadow what is installed."""
    for path in TOP.glob("benchlog/**/*.py"):
        for line in path.read_text("utf-8").splitlines():
            if 'sys.executable, "' in line and '"-m"' in line:
                assert '"-P", "-m"' in line, path


EXTRAS = PROJECT["project"]["optional-dependencies"]
FOR_USERS = {
    *("browser", "dataset", "gpib", "labels"),
    *("metrics", "modbus", "postgres", "usb"),
}


def test_all_brings_every_extra_that_users_have() -> None:
    (named,) = EXTRAS["all"]
    name, _, extras = named.rstrip("]").partition("[")
    assert name == PROJECT["project"]["name"]
    assert set(extras.split(",")) == FOR_USERS
    assert set(EXTRAS) >= FOR_USERS


def test_every_extra_that_is_named_can_be_installed_from_a_checkout() -> None:
    """benchlog is on no index: `pip install NAME[extra]` would find nothing."""
    texts = [TOP / "README.md", TOP / "DEVELOPERS.md", *TOP.glob("benchlog/**/*.md")]
    texts += TOP.glob("benchlog/**/*.py")
    told = {path: path.read_text("utf-8") for path in texts}
    assert [path for path, text in told.items() if "benchlog-clocks[" in text] == []
    named = {
        extra
        for text in told.values()
        for listed in re.findall(r"'\.\[([a-z,]+)\]'", text)
        for extra in listed.split(",")
    }
    assert {"dataset", "browser"} <= named <= set(EXTRAS)


@pytest.mark.parametrize(
    ("used", "extra"),
    [
        ("--format parquet", "dataset"),
        ("--dataset", "dataset"),
        ("postgresql://", "postgres"),
        ("--serve", "browser"),
        ("--label --out", "labels"),
        ("--metrics 8643", "metrics"),
    ],
)
def test_a_page_that_uses_an_extra_names_it(used: str, extra: str) -> None:
    pages = [TOP / "README.md", *TOP.glob("benchlog/manual/*.md")]
    using = [path for path in pages if used in path.read_text("utf-8")]
    assert using
    for path in using:
        text = path.read_text("utf-8")
        assert f"'.[{extra}]'" in text or f"| `{extra}` |" in text, path


def test_a_missing_extra_is_named_with_its_remedy(tmp_path: Path) -> None:
    code = (
        "import sys\nsys.modules['pyarrow'] = None\n"
        "from benchlog.exchange.arrow import arrow\n"
        "try:\n    arrow()\nexcept Exception as error:\n    print(error)\n"
    )
    assert in_a_bare_folder(code, tmp_path).endswith("pip install '.[dataset]'")
