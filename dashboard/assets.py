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

from edge.errors import WrongInput

WEB = Path(__file__).parent / "web"
SHORTEST_COMPRESSED = 200
KINDS = {
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
    ".txt": "text/plain; charset=utf-8",
}
"""Only these are served; `words.json` goes out as the module `words.js` and inside the page."""

SCREENS = ("now", "change", "tray", "speed", "sieves", "job", "morning", "kit")
"""In the order of the navigation: the first four are in sight on a phone. One without a file in `screens/` is left out."""

NEEDED = ("index.html", "style.css", "words.json", "app.js", "vendor/uPlot.iife.min.js", "vendor/uPlot.min.css")
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
        self.words: dict[str, Any] = json.loads((web / "words.json").read_text(encoding="utf-8"))
        files = {
            str(path.relative_to(web).as_posix()): path.read_bytes()
            for path in sorted(web.rglob("*"))
            if path.suffix in KINDS and path.is_file()
        }
        self.screens = [name for name in SCREENS if (web / "screens" / f"{name}.html").is_file()]
        fragments = {name: (web / "screens" / f"{name}.html").read_text(encoding="utf-8") for name in self.screens}
        absent = [f"{name}.js" for name in self.screens if f"{name}.js" not in files]
        if absent:
            raise WrongInput(f"{web}: {', '.join(absent)} missing; each screen in screens/ has a module of its name")
        files["screens.js"] = _screens_module(self.screens)
        files["words.js"] = b"export default " + json.dumps(self.words, ensure_ascii=False).encode() + b";\n"
        index = _with_screens((web / "index.html").read_text(encoding="utf-8"), fragments)
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
        modules = sorted(name for name in self.files if name.endswith(".js") and "/" not in name and name != "early.js")
        hints = "\n".join(f'<link rel="modulepreload" href="{self.base}/{name}">' for name in modules)
        sheets = ["style.css", *(f"{name}.css" for name in self.screens if f"{name}.css" in self.files)]
        styles = "\n".join(f'<link rel="stylesheet" href="{self.base}/{name}">' for name in sheets)
        fixed = {"assets": self.base, "preload": hints, "styles": styles}

        def fill(found: re.Match[str]) -> str:
            name = found[1]
            return fixed[name] if name in fixed else html.escape(word(self.words, name))

        return _PLACE.sub(fill, index)


def _screens_module(screens: list[str]) -> bytes:
    """The module that brings all screens, in their order."""
    lines = [f"import * as {name} from './{name}.js';" for name in screens]
    return "\n".join([*lines, f"export default [{', '.join(screens)}];", ""]).encode()


def _with_screens(index: str, fragments: dict[str, str]) -> str:
    """The frame with its screens (all hidden; navigation.js shows one) and a link to each."""
    sections = [
        f'<section class="screen {name}" id="screen-{name}" data-screen="{name}" aria-label="{{{{nav.{name}}}}}" '
        f'tabindex="-1" hidden>\n{text.rstrip()}\n</section>'
        for name, text in fragments.items()
    ]
    links = [
        f'<li><a href="#{name}" data-screen="{name}"><svg class="shape" aria-hidden="true" viewBox="0 0 32 32">'
        f'<use href="#shape-nav-{name}"/></svg><span>{{{{nav.{name}}}}}</span></a></li>'
        for name in fragments
    ]
    return index.replace("{{screens}}", "\n".join(sections)).replace("{{navigation}}", "\n".join(links))


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
