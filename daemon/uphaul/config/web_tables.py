"""The table of the page in daemon.toml."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from uphaul.config.tables import HOST_NAME, Table, key

__all__ = ["WebTable"]


class WebTable(Table):
    """Where the page is served, and to whom."""

    host: str = key('address to listen on; "" serves no page', "127.0.0.1", max_length=253)
    port: int = key("port to listen on; 0 takes any free one", 8710, ge=0, le=65_535)
    look: Literal["open", "paired"] = key(
        "who may look: everyone who reaches the page, or paired devices; acting always needs pairing", "open"
    )
    names: list[Annotated[str, Field(pattern=HOST_NAME)]] = key(
        "further names the page is called by, without port; its address, localhost and the machine's name need none",
        [],
    )
