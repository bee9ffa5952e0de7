"""Puts the sample configuration and the scenarios into the installed package, so that the demo needs no checkout.

`config/` and `replays/` at the top are the one home of these files, and where a checkout or an editable installation
reads them.
"""

from __future__ import annotations

from pathlib import Path

from setuptools import setup
from setuptools.command.build_py import build_py

TOP = Path(__file__).resolve().parent
COPIES = {
    "config": ("sample", ("*.toml", "*.dbc", "*.json", "*.md")),
    "replays": ("demo/scenarios", ("*.toml",)),
}
"""Folder at the top, its place in the package, what is taken."""


class BuildWithCopies(build_py):
    """The usual build, then the copies."""

    def run(self) -> None:
        """Build, then copy."""
        super().run()
        if self.editable_mode:
            return
        for folder, (place, kinds) in COPIES.items():
            target = Path(self.build_lib) / "uphaul" / place
            self.mkpath(str(target))
            for source in sorted(f for kind in kinds for f in (TOP / folder).glob(kind)):
                self.copy_file(str(source), str(target / source.name))


setup(cmdclass={"build_py": BuildWithCopies})
