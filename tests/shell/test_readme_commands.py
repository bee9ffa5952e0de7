"""The commands that the READMEs give, on a clean checkout, as a new user runs them, with nothing installed before.

Needs the package index that pip is set up for. Nothing here leaves the temporary folder.
"""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
INSTALL_S = 600  # a slow machine with a cold cache of packages
DEADLINE_S = 240


def clean_environment(home: Path) -> dict[str, str]:
    """What a user's shell has, without this run's own virtual environment and settings."""
    own = str(Path(sys.prefix) / "bin")
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("VIRTUAL_ENV", "PYTEST", "PYTHON", "COV"))}
    path = os.pathsep.join(p for p in os.environ["PATH"].split(os.pathsep) if p != own)
    return {**kept, "PATH": path, "TMPDIR": str(home), "PYTHON": getattr(sys, "_base_executable", "python3")}


@pytest.fixture(scope="module")
def checkout(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The files that belong to the repository, as they stand now, and nothing else."""
    listed = subprocess.run(
        ["git", "-C", ROOT, "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    top = tmp_path_factory.mktemp("user") / "uphaul"
    for name in filter(None, listed.split("\0")):
        if (ROOT / name).is_file() or (ROOT / name).is_symlink():  # otherwise deleted and not yet committed
            (top / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(ROOT / name, top / name, follow_symlinks=False)
    return top


@pytest.mark.asyncio
async def test_the_demo_asks_the_driver_to_ease_off_and_its_drive_replays_the_same(checkout: Path) -> None:
    complaints = checkout.parent / "complaints"
    demo = await asyncio.create_subprocess_exec(
        checkout / "daemon/demo",
        *("--port", "0", "--speed", "10"),  # faster, a busy machine's pauses would be long ones to the demo's clock
        cwd=checkout.parent,
        env=clean_environment(checkout.parent),
        stdout=asyncio.subprocess.PIPE,
        stderr=os.open(complaints, os.O_WRONLY | os.O_CREAT),
    )
    assert demo.stdout is not None
    said: list[str] = []
    try:
        async with asyncio.timeout(INSTALL_S + DEADLINE_S):
            while not any("  ease " in line for line in said):
                line = await demo.stdout.readline()
                assert line, f"the demo ended before any alert: {complaints.read_text()}"
                said.append(line.decode())
            demo.send_signal(signal.SIGINT)
            rest, _ = await demo.communicate()
    finally:
        if demo.returncode is None:
            demo.kill()
    assert demo.returncode == 0, complaints.read_text()
    assert "uphaul replay uphaul-demo.db" in rest.decode()

    found = await asyncio.to_thread(replayed, checkout)
    assert found["conditions"] != []
    assert found["live"] == {"same": True, "differences": []}


def replayed(checkout: Path) -> dict[str, Any]:
    """What ``uphaul replay --json`` says of the demo's drive."""
    run = subprocess.run(
        [checkout / ".venv/bin/uphaul", "replay", "uphaul-demo.db", "--json"],
        cwd=checkout.parent,
        env=clean_environment(checkout.parent),
        check=True,
        capture_output=True,
        text=True,
        timeout=DEADLINE_S,
    )
    found: dict[str, Any] = json.loads(run.stdout)
    return found


def test_the_test_command_sets_itself_up_and_runs_every_kind_of_check(checkout: Path) -> None:
    run = subprocess.run(
        [checkout / "tests/run", "tests/unit/test_hub.py", "-q"],
        env=clean_environment(checkout.parent),
        check=False,
        capture_output=True,
        text=True,
        timeout=INSTALL_S + DEADLINE_S,
    )
    steps = [line for line in run.stdout.splitlines() if line.startswith("== ")]
    assert steps == [
        "== ruff check .",
        "== ruff format --check .",
        "== mypy",
        "== python .ci/imports.py",
        "== pytest tests/unit/test_hub.py -q",
    ]
    assert "8 passed" in run.stdout
    assert run.returncode == 0, run.stdout + run.stderr


def test_a_check_that_fails_fails_the_test_command(checkout: Path) -> None:
    module = checkout / "daemon/uphaul/physics/clock_reader.py"
    module.write_text('"""Reads a clock where none is allowed."""\n\nimport time\n\n__all__ = ["time"]\n')
    try:
        run = subprocess.run(
            [checkout / "tests/run", "tests/unit/test_hub.py", "-q"],
            env=clean_environment(checkout.parent),
            check=False,
            capture_output=True,
            text=True,
            timeout=INSTALL_S + DEADLINE_S,
        )
    finally:
        module.unlink()
    assert run.returncode == 1
    assert "uphaul/physics/clock_reader.py:3: pure room imports time" in run.stdout
    assert "8 passed" in run.stdout  # the later steps ran all the same


INSTALLED = """
import uphaul.web, pathlib
from uphaul.config import demo_config
from uphaul.config.scenario import load_scenario
assert "site-packages" in uphaul.web.__file__, uphaul.web.__file__
demo_config("demo")
load_scenario("demo")
uphaul.web.make_app(uphaul.web.WebState(lambda: None))
print("complete")
"""


def test_a_copy_installed_for_the_service_has_its_pages_sample_and_scenarios(checkout: Path) -> None:
    env = clean_environment(checkout.parent)
    home = checkout.parent / "opt"
    bin_dir = home / "bin"

    def run(*command: str | Path) -> str:
        done = subprocess.run(
            command, cwd=checkout, env=env, check=False, capture_output=True, text=True, timeout=INSTALL_S
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    run(env["PYTHON"], "-m", "venv", home)
    run(bin_dir / "pip", "install", "--quiet", "--disable-pip-version-check", ".")
    run(bin_dir / "uphaul", "config", "check", "config")
    assert run(bin_dir / "python", "-P", "-c", INSTALLED) == "complete\n"
