"""The one table of the page's screens, and what a screen's folder holds.

    <name>.html   the inside of the screen; texts as {{dotted.name}}
    <name>.js     a module with a `start`
    <name>.css    its rules (may be absent); further modules and files lie beside it
    words.json    its texts, which join those of the page: its name under `nav`, the others under its own name
    nav.svg       its shape in the navigation, 32 x 32
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any, NamedTuple

from edge.contract.errors import WrongInput

WEB = Path(__file__).parents[1] / "web"

SCREENS: dict[str, Path] = {
    name: WEB / "screens" / name for name in ("now", "change", "tray", "speed", "sieves", "job", "morning", "kit")
}
"""Name -> folder, in the order of the navigation: the first four are in sight on a phone."""

NOT_SERVED = ("nav.svg",)
_INSIDE_SVG = re.compile(r"<svg[^>]*>(.*)</svg>", re.DOTALL)


class Screen(NamedTuple):
    """A screen as its folder has it: the inside of it, its texts, the inside of its shape."""

    name: str
    folder: Path
    html: str
    words: dict[str, Any]
    shape: str

    @property
    def section(self) -> str:
        """The screen in the page; hidden, for navigation.js shows one."""
        head = f'<section class="screen {self.name}" id="screen-{self.name}" data-screen="{self.name}"'
        return f'{head} aria-label="{{{{nav.{self.name}}}}}" tabindex="-1" hidden>\n{self.html.rstrip()}\n</section>'

    @property
    def link(self) -> str:
        """Its place in the navigation."""
        return (
            f'<li><a href="#{self.name}" data-screen="{self.name}"><svg class="shape" aria-hidden="true" viewBox="0 0 32 32">'
            f'<use href="#shape-nav-{self.name}"/></svg><span>{{{{nav.{self.name}}}}}</span></a></li>'
        )

    @property
    def symbol(self) -> str:
        """Its shape, to be used from anywhere in the page."""
        return f'<symbol id="shape-nav-{self.name}" viewBox="0 0 32 32">{self.shape}</symbol>'


def read(name: str, folder: Path) -> Screen:
    """Read a screen's folder. Raises WrongInput naming the file that is missing or no drawing."""
    needed = (f"{name}.html", f"{name}.js", "words.json", "nav.svg")
    missing = [file for file in needed if not (folder / file).is_file()]
    if missing:
        raise WrongInput(f"{folder}: {', '.join(missing)} missing; a screen has {', '.join(needed)}")
    drawing = _INSIDE_SVG.search((folder / "nav.svg").read_text(encoding="utf-8"))
    if drawing is None:
        raise WrongInput(f"{folder / 'nav.svg'}: no drawing in it; allowed: one <svg> of 32 x 32")
    words = json.loads((folder / "words.json").read_text(encoding="utf-8"))
    return Screen(name, folder, (folder / f"{name}.html").read_text(encoding="utf-8"), words, drawing[1].strip())


def module_of(names: list[str]) -> bytes:
    """The module `screens.js`, which brings all screens in their order."""
    lines = [f"import * as {name} from './screens/{name}/{name}.js';" for name in names]
    return "\n".join([*lines, f"export default [{', '.join(names)}];", ""]).encode()


def joined(words: dict[str, Any], more: dict[str, Any]) -> dict[str, Any]:
    """Texts with those of a screen. Raises WrongInput for a text that is there already."""
    answer = dict(words)
    for key, value in more.items():
        if isinstance(value, dict) and isinstance(answer.get(key, {}), dict):
            answer[key] = joined(answer.get(key, {}), value)
        elif key in answer:
            raise WrongInput(f"words.json: {key}: stands in two files; allowed: each text once")
        else:
            answer[key] = value
    return answer
