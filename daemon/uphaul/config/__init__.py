"""TOML to checked, frozen specifications.

The functions are imported when first asked for: whoever only needs the types in `uphaul.config.spec` pays nothing for
pydantic.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from uphaul.config.loader import load, load_rules, load_texts
    from uphaul.config.sample import demo_config, sample_directory

__all__ = ["demo_config", "load", "load_rules", "load_texts", "sample_directory"]


def __getattr__(name: str) -> Any:
    if name in ("load", "load_rules", "load_texts"):
        from uphaul.config import loader

        return getattr(loader, name)
    if name in ("demo_config", "sample_directory"):
        from uphaul.config import sample

        return getattr(sample, name)
    raise AttributeError(name)
