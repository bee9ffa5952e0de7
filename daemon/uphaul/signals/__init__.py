"""What a signal is: model, quality, and the tick collector. Pure."""

from uphaul.signals.collector import Collected, Collector
from uphaul.signals.model import (
    NO_TUNE,
    Block,
    Event,
    EventKind,
    Quality,
    QualityChange,
    Reduce,
    Sample,
    Signal,
    index_of,
    quantise,
)

__all__ = [
    "NO_TUNE",
    "Block",
    "Collected",
    "Collector",
    "Event",
    "EventKind",
    "Quality",
    "QualityChange",
    "Reduce",
    "Sample",
    "Signal",
    "index_of",
    "quantise",
]
