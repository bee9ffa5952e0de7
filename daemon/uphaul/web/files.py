"""The files of the live page: read once, kept as they are and compressed, so that a phone loads little."""

from __future__ import annotations

import gzip
from importlib import resources

from aiohttp import hdrs, web

__all__ = ["PAGES", "Files"]

PAGES = {
    "/": ("index.html", "text/html"),
    "/app.js": ("app.js", "text/javascript"),
    "/acting.js": ("acting.js", "text/javascript"),
    "/alerts.js": ("alerts.js", "text/javascript"),
    "/device.js": ("device.js", "text/javascript"),
    "/changes.js": ("changes.js", "text/javascript"),
    "/live.js": ("live.js", "text/javascript"),
    "/nearest.js": ("nearest.js", "text/javascript"),
    "/owner.js": ("owner.js", "text/javascript"),
    "/prompts.js": ("prompts.js", "text/javascript"),
    "/readings.js": ("readings.js", "text/javascript"),
    "/replay.js": ("replay.js", "text/javascript"),
    "/rows.js": ("rows.js", "text/javascript"),
    "/sound.js": ("sound.js", "text/javascript"),
    "/words.js": ("words.js", "text/javascript"),
    "/worker.js": ("worker.js", "text/javascript"),
    "/style.css": ("style.css", "text/css"),
    "/live.css": ("live.css", "text/css"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
    "/icon-192.png": ("icon-192.png", "image/png"),
    "/icon-512.png": ("icon-512.png", "image/png"),
    "/manifest.webmanifest": ("manifest.webmanifest", "application/manifest+json"),
}
"""Where each file is served, what it is called, and what it is."""

ZIPPED_ALREADY = ("image/png",)


class Files:
    """The bodies of `PAGES`."""

    def __init__(self) -> None:
        static = resources.files("uphaul.web") / "static"
        self._plain = {path: (static / name).read_bytes() for path, (name, _) in PAGES.items()}
        self._zipped = {
            path: gzip.compress(body, mtime=0)
            for path, body in self._plain.items()
            if PAGES[path][1] not in ZIPPED_ALREADY
        }

    async def page(self, request: web.Request) -> web.Response:
        """One of the files, compressed for whoever takes that."""
        resource = request.match_info.route.resource
        path = "/" if resource is None else resource.canonical
        kind = PAGES[path][1]
        charset = None if kind.startswith("image/png") else "utf-8"
        zipped = self._zipped.get(path)
        if zipped is None or "gzip" not in request.headers.get(hdrs.ACCEPT_ENCODING, "").lower():
            return web.Response(body=self._plain[path], content_type=kind, charset=charset, headers=VARY)
        headers = {**VARY, hdrs.CONTENT_ENCODING: "gzip"}
        return web.Response(body=zipped, content_type=kind, charset=charset, headers=headers)


VARY = {hdrs.VARY: hdrs.ACCEPT_ENCODING}
