"""The invented driver: holds the planned speed, sets off, changes gear, and never has three feet at once.

Theory of operation. A proportional-integral hold of the speed with a foot of limited quickness moves the pedal; what
the slope asks for is felt with a second's delay, before the speed tells. Brakes are used only with the pedal up.
Gears: down when the pedal is nearly down and speed falls, or the engine labours; up when the next gear would do the
work easily; nothing within a few seconds of the last change. The plan may cap the gear. While the clutch is open the
foot is off the pedal, as a driver's is. An engine that races on a slipping clutch makes him lift for some seconds.
"""

from __future__ import annotations

from uphaul.demo.driveline import GEARS, Driveline, rpm_at

__all__ = ["Driver"]


class Driver:
    """Foot, brake and gear lever; `step` looks at the road speed and moves them."""

    __slots__ = ("brake", "easy_s", "felt", "hard_s", "pedal", "racing_s", "settled_s", "steady", "wanted_m_s")

    def __init__(self, speed_m_s: float) -> None:
        self.pedal = 0.0
        self.brake = 0.0
        self.felt = 0.0  # pedal that the road seems to need
        self.steady = 0.0  # what the feeling misses, learnt from the speed
        self.wanted_m_s = speed_m_s
        self.settled_s = 10.0  # since the last change
        self.hard_s = 0.0
        self.easy_s = 0.0
        self.racing_s = 0.0  # engine racing on a slipping clutch; negative while lifting

    def step(
        self,
        dt_s: float,
        line: Driveline,
        *,
        goal_m_s: float,
        top_gear: int,
        running: bool,
        need: float,
        full_load_gear: int = 0,
    ) -> float:
        """Move on by `dt_s` towards `goal_m_s`; returns the pedal that the engine sees, 0 to 1.

        `need` is the pedal that would hold the speed on this slope. In `full_load_gear` he floors it up to the goal.
        """
        floored = full_load_gear > 0 and running and 1.0 < line.speed_m_s < goal_m_s
        self.felt += (need - self.felt) * dt_s
        if not running:
            self.pedal, self.brake, self.steady = 0.0, 1.0 if goal_m_s < 0.1 else 0.0, 0.0
            return 0.0
        pace = 0.45 if line.speed_m_s > 8.0 else 0.8
        self.wanted_m_s += min(max(goal_m_s - self.wanted_m_s, -0.7 * dt_s), pace * dt_s)
        self.wanted_m_s = min(self.wanted_m_s, line.speed_m_s + 3.0)
        error = self.wanted_m_s - line.speed_m_s
        self.settled_s += dt_s
        standing = goal_m_s < 0.5 and line.speed_m_s < 3.0
        foot = 0.0
        if standing:
            self.brake, self.steady = 0.4, 0.0
            if line.next_gear != 0:
                line.change(0)
        else:
            self._brake(dt_s, error)
            if line.next_gear == 0:
                line.change(1)
                self.settled_s = 0.0
            foot = self._foot(dt_s, line, error)
            if floored and line.gear == full_load_gear and line.locked:
                foot = 1.0
        self.pedal += min(max(foot - self.pedal, -1.6 * dt_s), 0.7 * dt_s)
        if floored:
            if line.gear != full_load_gear and not line.changing:
                self._move(line, full_load_gear)
        elif not line.changing and not standing:
            self._lever(dt_s, line, goal_m_s, top_gear)
        return self.pedal

    def _foot(self, dt_s: float, line: Driveline, error: float) -> float:
        if line.changing:
            return 0.05
        if not line.locked and line.gear == 1:
            # Setting off: bite by bite, with some fuel.
            bite = min(max((line.rpm - 1050.0) / 250.0, -2.0), 1.0)
            line.clutch = min(max(line.clutch + 0.2 * bite * dt_s, 0.0), 1.0)
            self.steady = 0.0
            return min(max(0.3 + 1.2 * self.felt, 0.45), 0.95)
        line.clutch = 1.0
        foot = self.felt + self.steady + 0.11 * error
        if line.gear > 1:
            self.racing_s = self.racing_s + dt_s if line.slip > 0.03 or self.racing_s < 0.0 else 0.0
            if self.racing_s > 3.0:
                self.racing_s = -5.0
            if self.racing_s < 0.0:
                return min(max(foot, 0.0), 0.45)
        if (foot < 1.0 or error < 0.0) and (foot > 0.0 or error > 0.0):
            self.steady = min(max(self.steady + 0.02 * error * dt_s, -0.3), 0.3)
        return min(max(foot, 0.0), 1.0)

    def _brake(self, dt_s: float, error: float) -> None:
        wanted = min(max(-0.09 * (error + 0.9), 0.0), 0.6) if self.pedal < 0.02 else 0.0
        self.brake += min(max(wanted - self.brake, -1.5 * dt_s), 0.5 * dt_s)

    def _lever(self, dt_s: float, line: Driveline, goal_m_s: float, top_gear: int) -> None:
        gear = line.gear
        falling = line.speed_m_s < min(self.wanted_m_s, goal_m_s) - 0.4
        matched_rpm = rpm_at(line.speed_m_s, gear)
        labours = matched_rpm < 1250.0 and gear > 1
        hard = (self.pedal > 0.86 and falling and matched_rpm < 2600.0) or labours
        self.hard_s = self.hard_s + dt_s if hard else 0.0
        down_rpm = rpm_at(line.speed_m_s, gear - 1) if gear > 1 else 9999.0
        up_rpm = rpm_at(line.speed_m_s, gear + 1) if gear < len(GEARS) else 0.0
        step = GEARS[gear - 1] / GEARS[min(gear, len(GEARS) - 1)]
        rushing = (line.rpm > 2900.0 and self.felt * step < 0.85) or line.rpm > 3600.0
        easy = gear < top_gear and ((up_rpm > 1750.0 and self.pedal * step < 0.78) or (rushing and up_rpm > 1500.0))
        easy = easy and self.pedal > 0.1 and line.locked and goal_m_s > line.speed_m_s - 1.0
        self.easy_s = self.easy_s + dt_s if easy else 0.0
        capped = gear > top_gear and down_rpm < 3700.0 and self.settled_s > 1.5
        pulls = self.hard_s > 1.2 and down_rpm < 3300.0 and self.settled_s > 2.0
        if capped or pulls or (labours and self.settled_s > 1.0):
            self._move(line, gear - 1)
        elif self.easy_s > (0.6 if rushing else 2.5) and self.settled_s > (1.5 if rushing else 6.0):
            self._move(line, gear + 1)

    def _move(self, line: Driveline, gear: int) -> None:
        line.change(gear)
        self.settled_s = 0.0
        self.hard_s = 0.0
        self.easy_s = 0.0
