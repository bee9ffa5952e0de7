"""Makes `data/road_power_*.csv`: drives of a published vehicle simulator, with what it says reached the wheels.

Usage, in an environment of its own with fastsim 2.1.5 (it needs numpy below 2.1), in `tests`:
``python -m support.make_road_power``. Its class 4 truck follows the WLTC (class 3b) as far as its engine can, and pulls
away at full load.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np

TRUCK = 31


def main() -> None:
    """Drive both and write the files."""
    from fastsim import __version__, cycle, simdrive, vehicle

    t = np.arange(0.0, 60.01, 0.2)
    wide_open = {"time_s": t, "mps": np.where(t > 0.0, 44.7, 0.0), "grade": 0.0 * t, "road_type": 0.0 * t}
    runs = {
        "wltc": ("WLTC class 3b", cycle.Cycle.from_file("wltc_3b")),
        "pull": ("full load from standstill, 0.2 s steps", cycle.Cycle.from_dict(wide_open)),
    }
    for name, (title, driven) in runs.items():
        run = simdrive.SimDrive(driven, vehicle.Vehicle.from_vehdb(TRUCK))
        run.sim_drive()
        rows = zip(run.cyc.time_s, run.mps_ach, run.trans_kw_out_ach, strict=True)
        head = f"# fastsim {__version__}, {date.today()}, python -m support.make_road_power: {title}\n"
        head += "# s, m/s reached, kW at the wheels in the step that ends there\n"
        body = "".join(f"{float(s):g},{float(v):.6g},{float(kw):.6g}\n" for s, v, kw in rows)
        (Path(__file__).parent / "data" / f"road_power_{name}.csv").write_text(head + body, encoding="utf-8")


if __name__ == "__main__":
    main()
