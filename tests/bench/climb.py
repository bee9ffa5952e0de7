"""The demo vehicle's climb beside the one that a practitioner believes, and how fast the model runs.

Run: ``cd tests && python -m bench.climb``.
"""

from __future__ import annotations

import time

from support.demo_drives import BANDS, CLIMB, COLUMNS, climb_rows, drive
from uphaul.config.scenario import load_scenario
from uphaul.demo import Model


def main() -> None:
    """Print both tables and the speed."""
    rows = climb_rows(drive("climb-heat"))
    print("min from the foot; table (common practice) / model / band either way")
    print("  min  " + "".join(f"{name:>22}" for name in COLUMNS))
    for minute, row in CLIMB.items():
        cells = []
        for name, wanted, found in zip(COLUMNS, row, rows[minute], strict=True):
            mark = " " if abs(found - wanted) <= BANDS[name] else "!"
            cells.append(f"{wanted:g} / {found:.1f} / {BANDS[name]:g}{mark}".rjust(22))
        print(f"{minute:5.1f}  " + "".join(cells))
    scenario = load_scenario("climb-heat")
    model = Model(scenario)
    began = time.process_time()
    for i in range(300 * 20):
        model.step(i / 20.0)
    spent_s = time.process_time() - began
    print(f"model: {300.0 / spent_s:.0f} times real time at 20 Hz on one core (300 s in {spent_s:.2f} s of CPU)")


if __name__ == "__main__":
    main()
