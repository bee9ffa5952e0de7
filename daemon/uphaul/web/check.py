"""The field check's page, for the technician and the passenger: what to do now, what is missing, what came of it.

The page asks for ``/check.json`` twice a second and says so when no answer comes. What people do on it (begin, skip,
end) goes through ``/act`` as everywhere.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from importlib import resources
from typing import TYPE_CHECKING, Any

from aiohttp import web

if TYPE_CHECKING:
    from uphaul.analysis.field_check import FieldCheckRun, Step, StepResult
    from uphaul.analysis.field_check_follow import CheckFollower

__all__ = ["CHECK", "add_check", "check_told", "runs_told"]

CHECK = "/check"
"""Where the page stands beside the live page."""

FILES = {
    CHECK: ("check.html", "text/html"),
    "/check.js": ("check.js", "text/javascript"),
    "/check.css": ("check.css", "text/css"),
}

Follower = Callable[[], "CheckFollower | None"]


def add_check(
    app: web.Application,
    follower: Follower,
    vehicle: str,
    *,
    invented: bool,
    driving: Callable[[], bool],
    may_act: Callable[[web.Request], bool],
    replayed: bool = False,
) -> None:
    """Put the page under `CHECK` into `app`.

    `follower` gives that of the present drive, None without a check; `may_act` says whether a request comes from a
    paired device. `replayed`: nothing can be begun.
    """
    static = resources.files("uphaul.web") / "static"

    async def file(request: web.Request) -> web.Response:
        resource = request.match_info.route.resource
        name, kind = FILES[CHECK if resource is None else resource.canonical]
        return web.Response(body=(static / name).read_bytes(), content_type=kind, charset="utf-8")

    async def now(request: web.Request) -> web.Response:
        told = {
            "vehicle": vehicle,
            "invented": invented,
            "driving": driving(),
            "replayed": replayed,
            "may_act": may_act(request),
            "check": check_told(follower()),
        }
        return web.json_response(text=json.dumps(told, ensure_ascii=False, allow_nan=False))

    async def runs(request: web.Request) -> web.Response:
        return web.json_response(text=runs_told(follower()))

    app.router.add_get("/check.json", now)
    app.router.add_get("/check-runs.json", runs)
    for path in FILES:
        app.router.add_get(path, file)


def runs_told(follower: CheckFollower | None) -> str:
    """Every check of the drive so far with all its figures, as the log keeps those that are over, as JSON."""
    from uphaul.analysis.field_check_text import run_to_object

    runs = () if follower is None else follower.runs
    return json.dumps({"runs": [run_to_object(r) for r in runs]}, ensure_ascii=False, allow_nan=False)


def check_told(follower: CheckFollower | None) -> dict[str, Any] | None:
    """What the page is told; None where the configuration has no field check."""
    if follower is None:
        return None
    check, now, news, runs = follower.check, follower.now(), follower.news, follower.runs
    told: dict[str, Any] = {
        "title": check.title,
        "cautions": list(check.cautions),
        "running": now is not None,
        "confirmed_by": runs[-1].confirmed_by if runs else "",
        "said": follower.said,
        "news": [
            {"t_ms": n.t_ms, "kind": n.kind.value, "step": n.step, "tune": n.tune, "words": n.words} for n in news
        ],
        "step": None,
        "steps": [] if not runs else _steps(runs[-1], {s.name: s for s in check.steps}),
    }
    if now is not None:
        step = now.step
        told |= {
            "step": None
            if step is None
            else {
                "key": f"{step.name}:{now.tune}" if step.each_tune and now.tune else step.name,
                "title": f"{step.title}, {now.tune}" if now.tune else step.title,
                "do": step.do,
                "moving": step.moving,
            },
            "holding_s": now.holding_s,
            "left_s": now.left_s,
            "missing": [m.words for m in now.missing],
            "alert": now.alert,
            "action": None if now.action is None else now.action.word,
        }
    return told


def _steps(run: FieldCheckRun, steps: dict[str, Step]) -> list[dict[str, Any]]:
    return [_result(r, steps[r.step]) for r in run.results]


def _result(result: StepResult, step: Step) -> dict[str, Any]:
    from uphaul.reports.checked import (
        accepted,
        gaps,
        in_tune,
        measure_of,
        reading,
        title_of,
    )  # not asked for, no memory

    last = result.attempts[-1] if result.attempts else None
    driven = "" if last is None else in_tune(last, step)
    lines = []
    for m in () if last is None else last.measured:
        of = measure_of(step, m)
        line = {"name": title_of(step, m), "value": reading(m, of), "band": accepted(m, of), "outside": m.ok is False}
        lines.append(line)
    return {
        "key": f"{result.step}:{result.tune}" if result.tune else result.step,
        "title": f"{step.title}, {result.tune}" if result.tune else step.title + driven,
        "verdict": result.verdict.value,
        "why": result.why or ("" if last is None else last.why),
        "attempts": len(result.attempts),
        "gaps": "" if last is None else gaps(last, step),
        "lines": lines,
    }
