"""Puts the sample configuration into the installed package, so that the demo runs without a checkout.

`config/` at the top is the one home of these files; a checkout (and an editable installation) reads them there.
"""

from __future__ import annotations

from pathlib import Path

from setuptools import setup
from setuptools.command.build_py import build_py

TOP = Path(__file__).resolve().parent
KINDS = ("*.toml", "*.dbc", "*.json", "*.md")


class BuildWithSample(build_py):
    """The usual build, then `config/` as ``uphaul/sample/``."""

    def run(self) -> None:
        """Build, then copy."""
        super().run()
        if self.editable_mode:
            return
        target = Path(self.build_lib) / "uphaul" / "sample"
        self.mkpath(str(target))
        for kind in KINDS:
            for source in sorted((TOP / "config").glob(kind)):
                self.copy_file(str(source), str(target / source.name))


setup(cmdclass={"build_py": BuildWithSample})
