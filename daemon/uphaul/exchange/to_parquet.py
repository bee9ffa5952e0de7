"""Writes a drive as Parquet: `t_ms`, `tune` and a column a signal, units and meanings in the fields' metadata.

Under the key `uphaul` the file's own metadata has, as JSON, what no column holds: which drive it is, the tunes, why
values are unknown, and what people did. Loads pyarrow (extra `workshop`).
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from uphaul.errors import UphaulError
from uphaul.exchange.outgoing import Outgoing
from uphaul.signals import Signal

__all__ = ["KEY", "write_parquet"]

KEY = b"uphaul"
FORMAT = 1


def write_parquet(drive: Outgoing, path: Path, progress: Callable[[int], None]) -> None:
    """Write the drive; `progress` is told the t_ms that is done. Raises OSError, UphaulError without pyarrow."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise UphaulError("Parquet needs pyarrow: pip install 'uphaul[workshop]'") from error
    schema = pa.schema(
        [
            pa.field("t_ms", pa.int64(), nullable=False, metadata={"unit": "ms"}),
            pa.field("tune", pa.dictionary(pa.int16(), pa.string())),
            *(pa.field(s.name, pa.float64(), metadata=_about(s)) for s in drive.signals),
        ]
    )
    names = pa.array(drive.tunes, pa.string())
    quality: list[Any] = []
    events: list[Any] = []
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for piece in drive.pieces():
            tune = pa.DictionaryArray.from_arrays(pa.array(piece.tune, mask=piece.tune < 0), names)
            columns = [pa.array(np.ascontiguousarray(c), from_pandas=True) for c in piece.values.T]
            writer.write_table(pa.table([pa.array(piece.t_ms), tune, *columns], schema=schema))
            quality += [[c.t_ms, drive.signals[c.signal].name, c.quality.name.lower()] for c in piece.quality]
            events += [
                [e.t_ms, e.seq, e.kind.value, e.rule, e.raise_number, e.actor, e.text, e.end_ms] for e in piece.events
            ]
            progress(int(piece.t_ms[-1]))
        about = {
            "format": FORMAT,
            "drive": drive.number,
            "begun": drive.begun,
            "software": drive.software,
            "tunes": drive.tunes,
            "quality": quality,
            "events": events,
        }
        writer.add_key_value_metadata({KEY: json.dumps(about, ensure_ascii=False).encode()})


def _about(signal: Signal) -> dict[str, str]:
    about = {"unit": signal.unit, "meaning": signal.meaning, "per_unit": str(signal.per_unit)}
    if np.isfinite(signal.low):
        about["low"] = repr(float(signal.low))
    if np.isfinite(signal.high):
        about["high"] = repr(float(signal.high))
    return about | ({"computed": "true"} if signal.computed else {})
