"""Makes the sources of a configuration, importing only the modules of those kinds that it has."""

from __future__ import annotations

from uphaul.clock import Clock
from uphaul.config.spec import (
    AdcSpec,
    CanSpec,
    Config,
    DemoSpec,
    DriveFileSpec,
    GpsSpec,
    Input,
    ObdSpec,
    PulseSpec,
    SourceSpec,
)
from uphaul.sources.base import Source

__all__ = ["make_source"]


def make_source(spec: SourceSpec, config: Config, clock: Clock) -> Source:
    """The source that `spec` of `config` describes, not yet open. Raises ConfigError where its files are wrong."""
    column = {s.name: i for i, s in enumerate(config.signals)}
    inputs: list[tuple[int, Input]] = [(column[i.signal], i) for i in config.inputs if i.source == spec.name]
    # the libraries behind a source cost memory and start-up: only those that are configured are imported
    match spec:
        case AdcSpec():
            from uphaul.sources.adc import AdcSource

            return AdcSource(spec, inputs, clock)
        case CanSpec():
            from uphaul.sources.can import CanSource

            return CanSource(spec, inputs, clock)
        case DemoSpec():
            from uphaul.config.scenario import load_scenario
            from uphaul.sources.demo import DemoSource

            load_scenario(spec.scenario)  # a scenario that is not there is told now, not by a vehicle that is still
            return DemoSource(spec, inputs, clock)
        case DriveFileSpec():
            from uphaul.sources.drive_file import DriveFileSource

            return DriveFileSource(spec, inputs, clock)
        case ObdSpec():
            from uphaul.sources.obd import ObdSource

            return ObdSource(spec, inputs, clock)
        case PulseSpec():
            from uphaul.sources.pulse import PulseSource

            return PulseSource(spec, inputs, clock)
        case GpsSpec():
            from uphaul.sources.gps import GpsSource

            return GpsSource(spec, inputs, clock)
