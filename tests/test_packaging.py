"""What a fresh clone, an installation and the container rest on: locks, set-up scripts, Dockerfile."""

from __future__ import annotations

import ast
import fnmatch
import functools
import os
import platform
import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Iterator, Mapping
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import NormalizedName, canonicalize_name

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
LOCKS = ["requirements.lock", "requirements-dev.lock"]
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "Makefile",
    "requirements.lock",
    "requirements-dev.lock",
    "emulator",
    "tests",
    "scenarios",
    "docker",
    ".ci",
    ".gitignore",
    ".git",
}
ENTRY = re.compile(r"([a-z0-9-]+)==([0-9][0-9a-z.+!]*)( ; [a-z_]+ (?:==|<) \"[a-z0-9_.]+\")? \\")
HASH = re.compile(r"    --hash=sha256:[0-9a-f]{64}( \\)?")


def pins(lock: str) -> dict[NormalizedName, str]:
    """Version by package, read strictly: an entry line, then one or more hash lines, nothing else."""
    found: dict[NormalizedName, str] = {}
    more_expected = False
    for number, line in enumerate((ROOT / lock).read_text().splitlines(), start=1):
        where = f"{lock}:{number}: {line!r}"
        if more_expected:
            hashed = HASH.fullmatch(line)
            assert hashed, f"{where}: expected a hash"
            more_expected = hashed[1] is not None
        else:
            entry = ENTRY.fullmatch(line)
            assert entry, f"{where}: expected name==version followed by hashes"
            name = canonicalize_name(entry[1])
            assert name not in found, f"{where}: locked twice"
            found[name] = entry[2]
            more_expected = True
    assert not more_expected, f"{lock}: the last entry has no hash"
    return found


@pytest.mark.parametrize("lock", LOCKS)
def test_every_locked_package_is_exact_and_hashed_and_no_host_is_named(lock: str) -> None:
    assert len(pins(lock)) > 20  # the strict grammar of pins() leaves no room for an address or an option


@pytest.mark.parametrize(
    "broken",
    [
        "numpy>=2\n",
        "numpy==2.0 \\\n    --hash=sha256:abc\n",
        "numpy==2.0 \\\nscipy==1.0 \\\n",
        "--index-url https://index.invalid/simple\n",
        "numpy==2.0\n",
    ],
)
def test_a_lock_that_is_not_exact_or_not_hashed_is_refused(
    broken: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "broken.lock").write_text(broken)
    monkeypatch.setattr(sys.modules[__name__], "ROOT", tmp_path)
    with pytest.raises(AssertionError, match=r"broken\.lock"):
        pins("broken.lock")


def test_both_locks_agree() -> None:
    run, dev = (pins(lock).items() for lock in LOCKS)
    assert run <= dev


@pytest.mark.parametrize(
    ("lock", "declared"),
    [
        (LOCKS[0], PROJECT["dependencies"]),
        (LOCKS[0], tomllib.loads((ROOT / "pyproject.toml").read_text())["build-system"]["requires"]),
        (LOCKS[1], PROJECT["optional-dependencies"]["dev"]),
    ],
)
def test_locks_hold_what_the_project_declares(lock: str, declared: list[str]) -> None:
    locked = pins(lock)
    for requirement in map(Requirement, declared):
        name = canonicalize_name(requirement.name)
        assert name in locked, f"{name} is not in {lock}: run make lock"
        assert requirement.specifier.contains(locked[name]), (
            f"{lock} is older than pyproject.toml: run make lock"
        )


def test_the_tests_run_on_what_is_locked() -> None:
    """What is installed here has the locked version, so what passes the tests is what gets installed."""
    installed = {canonicalize_name(d.name): d.version for d in metadata.distributions()}
    locked = pins(LOCKS[1])
    if platform.machine() != "x86_64":
        del locked[canonicalize_name("autosar-e2e")]
    if sys.version_info >= (3, 13):
        del locked[canonicalize_name("rtamt")]
    differing = {n: (installed.get(n, "none"), v) for n, v in locked.items() if installed.get(n) != v}
    assert not differing, f"installed is not locked (name: installed, locked), run make test: {differing}"


def statements(inside: ast.AST) -> Iterator[ast.stmt]:
    """All below a node; expressions, which hold none, are not walked through."""
    for child in ast.iter_child_nodes(inside):
        if isinstance(child, ast.stmt):
            yield child
        if not isinstance(child, ast.expr):
            yield from statements(child)


def test_every_statement_that_imports_is_seen() -> None:
    source = """
import a
async def f():
    class C:
        def g(self):
            import b
    match 1:
        case 1 if lambda: 0:
            import c
    try:
        with x:
            from d import e
    except* OSError:
        for i in x:
            import g
        else:
            import h
    finally:
        import i
"""
    tree = ast.parse(source)
    walked = [node for node in ast.walk(tree) if isinstance(node, ast.stmt)]
    assert {*map(id, statements(tree))} == {*map(id, walked)}
    assert sum(isinstance(node, ast.Import | ast.ImportFrom) for node in walked) == 7


@functools.cache
def imported_packages(folder: Path) -> dict[str, Path]:
    """Top-level names of everything imported under ``folder``, with one file that does it."""
    found: dict[str, Path] = {}
    for path in sorted(folder.rglob("*.py")):
        for node in statements(ast.parse(path.read_text())):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                names = [node.module]
            else:
                continue
            found.update({name.partition(".")[0]: path.relative_to(ROOT) for name in names})
    return found


# These install into a folder of their own, where the interpreter's table of packages does not look.
ELSEWHERE = {"pinocchio": "pin"}


@functools.cache
def distributions_by_package() -> Mapping[str, list[str]]:
    return metadata.packages_distributions()


@pytest.mark.parametrize(
    ("folder", "extras"), [("emulator", ["fmi", "cluster", "console", "mdf"]), ("tests", ["dev"])]
)
def test_whatever_is_imported_is_declared(folder: str, extras: list[str]) -> None:
    declared = PROJECT["dependencies"] + [r for e in extras for r in PROJECT["optional-dependencies"][e]]
    allowed = {canonicalize_name(Requirement(r).name) for r in declared}
    own = {"emulator", "tests"} | {p.stem for p in (ROOT / "tests").rglob("*.py")}
    providers = distributions_by_package()
    for name, path in imported_packages(ROOT / folder).items():
        if name in sys.stdlib_module_names or name in own:
            continue
        by = {canonicalize_name(d) for d in providers.get(name, [ELSEWHERE.get(name, "")])}
        assert by & allowed, f"{path} imports {name}, which pyproject.toml does not declare"


def test_whatever_is_declared_is_imported() -> None:
    providers = distributions_by_package()
    imported = {
        canonicalize_name(by) for n in imported_packages(ROOT / "emulator") for by in providers.get(n, [])
    }
    assert {canonicalize_name(Requirement(r).name) for r in PROJECT["dependencies"]} - imported == set()


def test_the_top_level_holds_only_what_belongs_there() -> None:
    ignored = [line.strip("/") for line in (ROOT / ".gitignore").read_text().split()]
    stray = {
        entry.name
        for entry in ROOT.iterdir()
        if entry.name not in TOP_LEVEL and not any(fnmatch.fnmatch(entry.name, p) for p in ignored)
    }
    assert not stray


@pytest.mark.slow
def test_an_installation_has_all_of_the_package(tmp_path: Path) -> None:
    """A wheel holds every file: the guide's pages and picture, what HTML pages are made from."""
    source = tmp_path / "source"
    shutil.copytree(ROOT / "emulator", source / "emulator", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", source)
    files = {p.relative_to(source).as_posix() for p in (source / "emulator").rglob("*") if p.is_file()}
    assert {"guide/index.md", "report/assets/page.css", "stages/precompile_session/rig.yaml"} <= {
        f.removeprefix("emulator/") for f in files
    }
    pip = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation", "--no-index"]
    subprocess.run([*pip, "--wheel-dir", str(tmp_path), str(source)], check=True, timeout=120)
    (wheel,) = tmp_path.glob("*.whl")
    assert files - set(zipfile.ZipFile(wheel).namelist()) == set()


@pytest.mark.parametrize("script", ["setup", "run"])
def test_shell_scripts_stop_at_the_first_error_and_parse(script: str) -> None:
    path = ROOT / ".ci" / script
    lines = path.read_text().splitlines()
    assert lines[0] == "#!/usr/bin/env bash"
    assert "set -euo pipefail" in lines
    assert os.access(path, os.X_OK)
    subprocess.run(["bash", "-n", str(path)], check=True, timeout=10)


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A bare checkout in a folder with a space, with stand-ins for the interpreters on the search path."""
    folder = tmp_path / "a checkout"
    folder.mkdir()
    shutil.copytree(ROOT / ".ci", folder / ".ci")
    for name in ["Makefile", "pyproject.toml", *LOCKS]:
        shutil.copy(ROOT / name, folder)
    (folder / "path").mkdir()
    (folder / "tests" / "support").mkdir(parents=True)
    guest = folder / "tests" / "support" / "run-in-socketcan.sh"  # says which packages the guest needs
    guest.write_text("#!/usr/bin/env bash\necho user-mode-linux kmod iproute2\n")
    guest.chmod(0o755)
    for tool in ["bash", "dirname", "mkdir", "flock", "cat", "make", "grep", "env"]:
        found = shutil.which(tool)
        if found:
            (folder / "path" / tool).symlink_to(found)
    return folder


def stand_in(folder: Path, name: str, body: str) -> None:
    """An executable on the checkout's search path."""
    script = folder / "path" / name
    script.write_text(f"#!/usr/bin/env bash\n{body}\n")
    script.chmod(0o755)


def run_in(folder: Path, *command: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run with nothing but the stand-ins on the search path."""
    path = {"PATH": str(folder / "path"), "HOME": str(folder)}
    bash = shutil.which("bash")
    assert bash
    return subprocess.run(
        [bash, *command],
        cwd=folder,
        env=path | environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_setup_without_any_python_says_what_is_needed(checkout: Path) -> None:
    result = run_in(checkout, ".ci/setup")
    assert result.returncode == 1
    assert "Python 3.11 or newer is needed" in result.stderr
    assert "apt-get install python3 python3-venv" in result.stderr
    assert not (checkout / ".venv").exists()


def test_setup_with_an_old_python_names_it(checkout: Path) -> None:
    stand_in(checkout, "python3", "echo 3.9")
    result = run_in(checkout, ".ci/setup")
    assert result.returncode == 1
    assert "found: python3 is 3.9" in result.stderr
    assert not (checkout / ".venv").exists()


@pytest.mark.parametrize(
    ("name", "package"), [("python3", "python3-venv"), ("python3.12", "python3.12-venv")]
)
def test_setup_without_the_venv_package_names_it(checkout: Path, name: str, package: str) -> None:
    stand_in(checkout, name, '[[ $2 == *ensurepip* ]] && exit 1; echo "3.12"')
    result = run_in(checkout, ".ci/setup")
    assert result.returncode == 1
    assert f"apt-get install {package}\n" in result.stderr
    assert not (checkout / ".venv").exists()


def test_setup_takes_only_the_python_that_was_asked_for(checkout: Path) -> None:
    stand_in(checkout, "python3", "echo 3.12")
    result = run_in(checkout, ".ci/setup", PYTHON="python3.99")
    assert result.returncode == 1
    assert "none that runs as python3.99" in result.stderr


def test_ci_runs_the_same_tests_as_a_developer(checkout: Path) -> None:
    """With every system package in place, .ci/run begins with ``make test``, without input."""
    (checkout / "path" / "make").unlink()
    stand_in(checkout, "make", 'echo "make $*"; if read -r line; then echo "had input"; fi; exit 7')
    stand_in(checkout, "python3", "exit 0")
    stand_in(checkout, "dpkg-query", "echo installed")
    result = run_in(checkout, ".ci/run")
    assert result.returncode == 7  # the result of the tests is the result of the script
    assert result.stdout == "make test\n"


@pytest.mark.parametrize(
    ("ended", "status", "told"),
    [(0, 0, False), (1, 1, False), (3, 0, True), (124, 0, True), (137, 137, False)],
)
def test_ci_rides_in_the_containers_last_and_tells_what_it_could_not_show(
    checkout: Path, ended: int, status: int, told: bool
) -> None:
    (checkout / "path" / "make").unlink()
    stand_in(checkout, "make", "exit 0")
    stand_in(checkout, "python3", "exit 0")
    stand_in(checkout, "dpkg-query", "echo installed")
    stand_in(checkout, "timeout", f'echo "$@"; exit {ended}')
    result = run_in(checkout, ".ci/run")
    assert result.returncode == status, result.stderr
    called = r"^--signal=INT --kill-after=20 \d+ .venv/bin/python -m tests.docker --untimed$"
    assert re.search(called, result.stdout, re.MULTILINE)
    assert ("NOT SHOWN in this run: containers" in result.stdout) is told


def test_ci_that_has_no_time_left_for_the_containers_says_so(checkout: Path) -> None:
    (checkout / "path" / "make").unlink()
    stand_in(checkout, "make", "exit 0")
    stand_in(checkout, "python3", "exit 0")
    stand_in(checkout, "dpkg-query", "echo installed")
    stand_in(checkout, "timeout", "exit 1")
    result = run_in(checkout, ".ci/run", SECONDS="1200")
    assert result.returncode == 0, result.stderr
    assert "NOT SHOWN in this run: containers" in result.stdout


def test_make_lists_its_targets(checkout: Path) -> None:
    awk = shutil.which("awk")
    assert awk
    (checkout / "path" / "awk").symlink_to(awk)
    result = run_in(checkout, "-c", "make")
    assert result.returncode == 0, result.stderr
    listed = re.findall(r"^  make (\w+) ", result.stdout, re.MULTILINE)
    assert {"demo", "virtual", "test", "bench", "lint", "format", "lock", "clean"} <= set(listed)
