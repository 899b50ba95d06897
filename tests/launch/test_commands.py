"""The Makefile and the scripts of the build: what a person types, on a machine with little on it."""

import os
import re
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from spa_ops.launch import __main__ as launch
from spa_ops.launch import checking
from spa_ops.launch.refusals import LaunchRefused

ROOT = Path(__file__).resolve().parents[2]
TARGETS = {"run", "test", "check", "bench", "demo", "help", "clean", "upgrade-data"}
TOOLS = ("sh", "rm", "touch", "env", "awk", "cksum", "tr", "make", "find")


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    """A PATH of the few tools that every Unix has, and no Python."""
    folder = tmp_path / "bin"
    folder.mkdir()
    for name in TOOLS:
        found = shutil.which(name)
        assert found is not None, name
        (folder / name).symlink_to(found)
    return folder


def program(folder: Path, name: str, script: str) -> None:
    (folder / name).write_text(f"#!/bin/sh\n{script}\n")
    (folder / name).chmod(0o755)


def environment_script(bare: Path, venv: Path, lock: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(ROOT / ".ci/environment"), str(venv), str(lock)],
        env={"PATH": str(bare)},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture
def lock(tmp_path: Path) -> Path:
    (tmp_path / "some.lock").write_text("# nothing to install\n")
    return tmp_path / "some.lock"


def test_help_lists_every_command(bare: Path) -> None:
    said = subprocess.run(
        ["make"], cwd=ROOT, env={"PATH": str(bare)}, capture_output=True, text=True, check=True
    ).stdout
    listed = dict(line.removeprefix("make ").split(maxsplit=1) for line in said.splitlines())
    assert set(listed) == TARGETS
    assert all(words.strip() for words in listed.values())


def test_every_command_of_the_makefile_is_known_to_the_launcher() -> None:
    called = set(re.findall(r"\$\(LAUNCH\) ([a-z-]+)", (ROOT / "Makefile").read_text()))
    assert called == TARGETS - {"help", "clean"}
    assert called <= set(launch.VERBS)


def test_no_interpreter_is_one_sentence(bare: Path, tmp_path: Path, lock: Path) -> None:
    # As a version manager leaves them: there by name, but only to say that it is not installed.
    for name in ("python3.13", "python3.12", "python3.11"):
        program(bare, name, "echo 'command not found' >&2; exit 127")
    # One that runs, but is too old for `import sys; sys.exit(...)` to let pass.
    program(bare, "python3", "exit 1")
    done = environment_script(bare, tmp_path / "venv", lock)
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr == (
        "Python 3.11, 3.12 or 3.13, with its venv module, is needed and was not found on the PATH.\n"
    )
    assert not (tmp_path / "venv").exists()


def test_an_environment_is_made_kept_and_renewed(bare: Path, place: Path, lock: Path) -> None:
    """In one go, because each making takes seconds: the shim that fails, again, a bad package, a ruin."""
    program(bare, "python3.13", "exit 127")
    real = Path(sys.base_prefix) / "bin" / f"python3.{sys.version_info.minor}"
    program(bare, "python3", f'exec "{real}" "$@"')
    venv = place / "venv"
    done = environment_script(bare, venv, lock)
    assert done.returncode == 0, done.stderr
    assert f"with {bare}/python3\n" in done.stderr
    assert subprocess.run([venv / "bin/python", "-c", ""], check=True).returncode == 0

    again = environment_script(bare, venv, lock)
    assert again.returncode == 0
    assert "Making" not in again.stderr, "a good environment was made anew"

    package = place / "thing-1.0.tar.gz"
    package.write_bytes(b"not what was locked")
    lock.write_text(f"thing @ file://{package} --hash=sha256:{'0' * 64}\n")
    refused = environment_script(bare, venv, lock)
    assert refused.returncode == 1
    assert "could not be installed" in refused.stderr
    assert "HASH" in refused.stderr.upper()

    lock.write_text("# nothing to install\n")
    (venv / "bin/python").unlink()
    (venv / "bin/python").symlink_to("/nonexistent/python3.11")
    renewed = environment_script(bare, venv, lock)
    assert renewed.returncode == 0
    assert "Making" in renewed.stderr
    assert (venv / "bin/python").exists()


def test_the_build_calls_what_people_call() -> None:
    script = (ROOT / ".ci/run").read_text()
    assert "make test" in script
    assert "make check" in script
    for file in (ROOT / ".ci").iterdir():
        assert file.stat().st_mode & stat.S_IXUSR, f"{file.name} cannot be executed"


def test_an_unknown_verb_lists_the_known(capsys: pytest.CaptureFixture[str]) -> None:
    assert launch.main(["brew"]) == 2
    assert "upgrade-data" in capsys.readouterr().err


def test_an_unknown_benchmark_is_named_before_anything_starts() -> None:
    with pytest.raises(LaunchRefused, match="no benchmark 'kettle'"):
        checking.bench(["kettle"])


def test_check_names_what_failed_and_runs_the_rest(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the real tools, on two checks of which one cannot pass."""
    monkeypatch.setattr(
        checking,
        "CHECKS",
        {
            "broken": ["ruff", "check", "--select", "E", "/nonexistent.py"],
            "settings": ["manage", "check"],
        },
    )
    assert checking.check() == 1
    said = capfd.readouterr().out
    assert "== settings" in said
    assert "Failed: broken" in said


def test_the_launcher_gives_pytests_own_exit_code_and_last_line(place: Path) -> None:
    """A whole `test` run in little: its servers, its variables, its summary last on stdout."""
    arguments = ["-p", "no:cacheprovider", "-n", "0", "--co", "-q", "tests/kernel"]
    done = subprocess.run(
        [sys.executable, "-m", "spa_ops.launch", "test", *arguments, "--deselect", "tests/kernel"],
        cwd=ROOT,
        env={"PATH": os.environ["PATH"], "SPA_OPS_DATA": str(place), **given_servers()},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 5, "pytest's own code for: no test was selected"
    assert "deselected" in done.stdout.splitlines()[-1]
    assert "Database: " in done.stderr
    assert "Redis: " in done.stderr


def given_servers() -> dict[str, str]:
    """The servers of the run that we are in, where it has them."""
    names = ("DATABASE_URL", "DATABASE_OWNER_URL", "REDIS_URL")
    return {name: os.environ[name] for name in names if os.environ.get(name)}
