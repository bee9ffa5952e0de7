"""The drive page for the tuner at a desk: one recorded drive, what the rules said of it, and what others would say."""

from uphaul.desk.drive import DeskDrive, load_drive
from uphaul.desk.server import make_desk

__all__ = ["DeskDrive", "load_drive", "make_desk"]
