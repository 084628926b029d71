"""The page's own files: read once at start, named by their hash, compressed once.

All files lie under `/assets/<hash of all of them>/`, so modules may import each other by plain relative names and a
browser may keep them for ever: another version has another folder.
"""

from __future__ import annotations

import gzip
import hashlib
import html
import json
import re
from pathlib import Path
from typing import Any, NamedTuple

from dashboard.serve.screens import NOT_SERVED, SCREENS, WEB, Screen, joined, module_of, read
from edge.contract.errors import WrongInput

SHORTEST_COMPRESSED = 200
KINDS = {
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
    ".txt": "text/plain; charset=utf-8",
}
"""Only these are served; texts go out as the module `words.js` and inside the page."""

NEEDED = ("index.html", "style.css", "words.json", "app.js", "vendor/uPlot.iife.min.js", "vendor/uPlot.min.css")
EARLY = "page/early.js"
"""Runs before the page is drawn, so it is no module."""

_REMARK = re.compile(r"/\*.*?\*/", re.DOTALL)
_PLACE = re.compile(r"\{\{([a-z0-9_.]+)\}\}")


class Asset(NamedTuple):
    """One file as it is sent: its type, its bytes, the same compressed (None where that gains nothing)."""

    kind: str
    plain: bytes
    packed: bytes | None


class Assets:
    """The page and its files. Raises WrongInput when a file is missing or a word of the page is unknown."""

    def __init__(self, web: Path = WEB) -> None:
        missing = [name for name in NEEDED if not (web / name).is_file()]
        if missing:
            raise WrongInput(f"{web}: {', '.join(missing)} missing; a build of the project brings them (see hatch_build.py)")
        found = [read(name, folder) for name, folder in SCREENS.items()]
        self.screens = [screen.name for screen in found]
        self.words: dict[str, Any] = json.loads((web / "words.json").read_text(encoding="utf-8"))
        for screen in found:
            self.words = joined(self.words, screen.words)
        files = _files(web, "")
        for screen in found:
            files.update(_files(screen.folder, f"screens/{screen.name}/"))
        files["screens.js"] = module_of(self.screens)
        files["words.js"] = b"export default " + json.dumps(self.words, ensure_ascii=False).encode() + b";\n"
        index = _with_screens((web / "index.html").read_text(encoding="utf-8"), found)
        digest = hashlib.sha256(index.encode())
        for name, data in sorted(files.items()):
            digest.update(name.encode() + b"\0" + data)
        self.version = digest.hexdigest()[:16]
        self.files = {name: pack(data, KINDS[Path(name).suffix]) for name, data in files.items()}
        self.index = pack(self._filled(index).encode(), "text/html; charset=utf-8")

    @property
    def base(self) -> str:
        """The folder of this version, as a path on the server."""
        return f"/assets/{self.version}"

    def _filled(self, index: str) -> str:
        """The page with its words, the folder of its files, and hints to fetch all modules at once."""
        modules = sorted(name for name in self.files if name.endswith(".js") and name != EARLY and "vendor/" not in name)
        hints = "\n".join(f'<link rel="modulepreload" href="{self.base}/{name}">' for name in modules)
        of_screens = [f"screens/{name}/{name}.css" for name in self.screens]
        sheets = ["style.css", *(name for name in of_screens if name in self.files)]
        styles = "\n".join(f'<link rel="stylesheet" href="{self.base}/{name}">' for name in sheets)
        fixed = {"assets": self.base, "preload": hints, "styles": styles}

        def fill(found: re.Match[str]) -> str:
            name = found[1]
            return fixed[name] if name in fixed else html.escape(word(self.words, name))

        return _PLACE.sub(fill, index)


def _files(folder: Path, below: str) -> dict[str, bytes]:
    """What is served of a folder, by its place under the assets."""
    return {
        f"{below}{path.relative_to(folder).as_posix()}": lean(path)
        for path in sorted(folder.rglob("*"))
        if path.suffix in KINDS and path.name not in NOT_SERVED and path.is_file()
    }


def lean(path: Path) -> bytes:
    """A file as it is served: our own scripts and rules without the comments and the indents that only a reader needs."""
    data = path.read_bytes()
    if "vendor" in path.parts or path.suffix not in (".js", ".css"):
        return data
    text = data.decode()
    if path.suffix == ".css":
        text = _REMARK.sub("", text)
    lines = (line.strip() for line in text.splitlines())
    return "\n".join(line for line in lines if line and not line.startswith("//")).encode() + b"\n"


def _with_screens(index: str, screens: list[Screen]) -> str:
    """The frame with its screens, a link to each, and their shapes."""
    parts = {"screens": "section", "navigation": "link", "shapes": "symbol"}
    for place, part in parts.items():
        index = index.replace(f"{{{{{place}}}}}", "\n".join(getattr(screen, part) for screen in screens))
    return index


def word(words: dict[str, Any], name: str) -> str:
    """A text by its dotted name. Raises WrongInput when there is none."""
    at: Any = words
    for part in name.split("."):
        at = at.get(part) if isinstance(at, dict) else None
    if not isinstance(at, str):
        raise WrongInput(f"words.json: no text named {name!r}")
    return at


def pack(data: bytes, kind: str) -> Asset:
    """An asset with its compressed form; the time in the header is 0, so equal bytes give equal bytes."""
    packed = gzip.compress(data, 9, mtime=0) if len(data) >= SHORTEST_COMPRESSED else data
    return Asset(kind, data, packed if len(packed) < len(data) else None)
