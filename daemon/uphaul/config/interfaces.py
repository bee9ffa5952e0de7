"""Which kinds of CAN adapter python-can knows, told without importing it."""

from __future__ import annotations

from importlib.metadata import entry_points

from uphaul.config.amounts import Scope

__all__ = ["BUILT_IN", "check_interface"]

BUILT_IN = (
    "canalystii",
    "cantact",
    "etas",
    "gs_usb",
    "iscan",
    "ixxat",
    "kvaser",
    "neousys",
    "neovi",
    "nican",
    "nixnet",
    "pcan",
    "robotell",
    "seeedstudio",
    "serial",
    "slcan",
    "socketcan",
    "socketcand",
    "systec",
    "udp_multicast",
    "usb2can",
    "vector",
    "virtual",
)
"""Interfaces that python-can brings itself. Source: python-can 4.6, ``can.interfaces.BACKENDS``; a test compares."""


def check_interface(scope: Scope, key: str, name: str) -> None:
    """An interface that neither python-can nor a plug-in brings is a problem."""
    if name in BUILT_IN:
        return
    plugged = {e.name for e in entry_points(group="can.interface")}
    if name not in plugged:
        scope.wrong(key, name, "must be an interface of python-can", known=(*BUILT_IN, *sorted(plugged)))
