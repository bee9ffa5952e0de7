"""The import checker lets the order through and catches each way of breaking it."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]


def load() -> ModuleType:
    spec = importlib.util.spec_from_file_location("imports_checker", ROOT / ".ci" / "imports.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


checker = load()


def messages(module: str, source: str) -> list[str]:
    return [text for _, text in checker.check_source(source, tuple(module.split(".")))]


ALLOWED = [
    ("rules.judge", "from uphaul.signals import Block\nfrom uphaul.rules.spec import Rule\nfrom . import spec"),
    ("cli.run", "from uphaul.app import run\nfrom uphaul import __version__\nimport uphaul.errors as errors"),
    ("sources.demo", "from uphaul.demo import Vehicle\nfrom uphaul.clock import Clock\nfrom .base import Source"),
    ("config.load", "import uphaul.demo\nimport os, pathlib"),
    ("demo.engine", "import numpy as np\nfrom uphaul.units import convert\nrng = np.random.default_rng(7)"),
    ("demo.road", "from random import Random\ndef make(seed: int) -> Random:\n    return Random(seed)"),
    ("demo.noise", "import numpy as np\ndef f(rng: np.random.Generator) -> float: return rng.normal()"),
    ("physics.air", "import math\nimport numpy as np\nx = np.exp(1.0)"),
    ("analysis.maps", "class Valve:\n    def open(self) -> None: ...\nValve().open()"),
    ("web.page", "open('x'); print('y')"),
    ("__init__", "__version__ = '1'"),
]


@pytest.mark.parametrize(("module", "source"), ALLOWED)
def test_what_the_order_allows_passes(module: str, source: str) -> None:
    assert messages(module, source) == []


REFUSED = [
    ("signals.model", "from uphaul.rules import Rule", "signals imports rules, which stands above it"),
    ("rules.judge", "def f():\n    from uphaul import alerts", "rules imports alerts, which stands above it"),
    ("rules.judge", "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    import uphaul.log.writer", "imports log"),
    ("sources.can", "from uphaul.outputs import mqtt", "sources imports outputs, which stands beside it"),
    ("hub", "from uphaul.clock import Clock", "hub imports clock, which stands beside it"),
    ("config.spec", "from ..hub import Hub", "config imports hub, which stands above it"),
    ("log.writer", "from .. import web", "log imports web, which stands above it"),
    ("units", "import uphaul.errors", "units imports errors, which stands beside it"),
    ("demo.engine", "from uphaul.physics import air", "demo imports physics: it may import only units and errors"),
    ("analysis.maps", "from uphaul.demo import engine", "analysis imports demo: only sources and config may"),
    ("gauges.x", "", "room 'gauges' has no place in the import order"),
    ("app", "import uphaul.gauges", "app imports 'gauges', which has no place"),
    ("__init__", "from uphaul.app import run", "imports nothing of the package"),
    ("rules.judge", "import asyncio", "pure room imports asyncio"),
    ("alerts.cycle", "from time import monotonic", "pure room imports time"),
    ("physics.air", "import os.path as p", "pure room imports os"),
    ("signals.collector", "def f():\n    import logging", "pure room imports logging"),
    ("pipeline.row", "from concurrent.futures import Future", "pure room imports concurrent"),
    ("analysis.maps", "import pandas as pd", "pure room imports the library pandas"),
    ("vehicle.sheet", "text = open('x').read()", "pure room calls open()"),
    ("vehicle.sheet", "__import__('os')", "pure room calls __import__()"),
    ("demo.engine", "import random\nx = random.random()", "random.random without a seed"),
    ("demo.engine", "import random\nx = random.Random()", "random.Random without a seed"),
    ("demo.engine", "from random import gauss as g\nx = g(0, 1)", "random.gauss without a seed"),
    ("demo.engine", "import numpy as np\nx = np.random.default_rng()", "numpy.random.default_rng without a seed"),
    ("demo.engine", "from numpy import random as r\nx = r.rand(3)", "numpy.random.rand without a seed"),
    ("demo.engine", "import numpy.random\nmake = numpy.random.default_rng", "numpy.random.default_rng without a seed"),
    ("derive.run", "import numpy as np\nnp.load('x')", "pure room uses numpy.load"),
]


@pytest.mark.parametrize(("module", "source", "expected"), REFUSED)
def test_each_violation_is_named(module: str, source: str, expected: str) -> None:
    found = messages(module, source)
    assert len(found) == 1
    assert expected in found[0]


def test_the_command_names_file_and_line_and_fails(tmp_path: Path) -> None:
    package = tmp_path / "uphaul"
    (package / "rules").mkdir(parents=True)
    (package / "rules" / "judge.py").write_text('"""Judge."""\n\nimport time\n')
    run = subprocess.run(
        [sys.executable, ROOT / ".ci" / "imports.py", package], capture_output=True, text=True, check=False
    )
    assert run.returncode == 1
    assert run.stdout == "uphaul/rules/judge.py:3: pure room imports time\n"


def test_the_command_refuses_a_folder_that_is_not_there(tmp_path: Path) -> None:
    run = subprocess.run(
        [sys.executable, ROOT / ".ci" / "imports.py", tmp_path / "none"], capture_output=True, text=True, check=False
    )
    assert run.returncode == 2


def test_the_project_keeps_its_own_order() -> None:
    assert checker.check_tree(ROOT / "daemon" / "uphaul") == []


def test_every_pure_room_is_in_the_order() -> None:
    placed = {room for line in checker.ORDER for room in line} | {checker.DEMO}
    assert placed >= checker.PURE
