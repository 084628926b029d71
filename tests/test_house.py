"""The house itself: what is checked in, what a build makes of it, and the broker the other tests rely on."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ["edge", "dashboard", "sim_feed"]
WEB = ROOT / "dashboard" / "web"

# In pieces, so that this file does not hold what it looks for.
REGISTRY_HOSTS = [
    "py" + "pi.org",
    "python" + "hosted.org",
    "pi" + "wheels.org",
    "npm" + "js.org",
    "npm" + "js.com",
    "yarn" + "pkg.com",
    "deb" + ".debian.org",
    "security" + ".debian.org",
    "ftp" + ".debian.org",
    "archive" + ".ubuntu.com",
    "node" + "source.com",
    "crates" + ".io",
    "ghcr" + ".io",
    "docker" + ".io",
]


def tracked() -> list[Path]:
    """Files of the checkout that are or would be committed."""
    if shutil.which("git"):
        listed = subprocess.run(
            ["git", "-c", f"safe.directory={ROOT}", "ls-files", "-co", "--exclude-standard", "-z"],
            cwd=ROOT,
            capture_output=True,
        )
        if listed.returncode == 0:
            return [path for name in listed.stdout.decode().split("\0") if name and (path := ROOT / name).is_file()]
    # Without git (a bare machine, an unpacked archive): all but what .gitignore names, whose forms here are plain.
    lines = [line.strip("/") for line in (ROOT / ".gitignore").read_text().splitlines() if line and line[0] != "#"]
    found = []
    for folder, folders, files in os.walk(ROOT):
        here = Path(folder)
        kept = [name for name in folders if name != ".git" and not ignored(here / name, lines)]
        folders[:] = kept
        found += [here / name for name in files if not ignored(here / name, lines)]
    return found


def ignored(path: Path, lines: list[str]) -> bool:
    return any(path.match(line) or path.relative_to(ROOT).match(line) for line in lines)


def build_settings() -> dict[str, Any]:
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def test_package_init_files_are_empty() -> None:
    found = [path for package in PACKAGES for path in (ROOT / package).rglob("__init__.py")]
    assert {path.parent.name for path in found} >= {*PACKAGES, "feed", "reckon", "judge", "keep", "tell"}
    assert [str(path.relative_to(ROOT)) for path in found if path.stat().st_size] == []


def test_no_registry_host_is_named_in_a_tracked_file() -> None:
    hosts = re.compile("|".join(re.escape(host) for host in REGISTRY_HOSTS).encode(), re.IGNORECASE)
    files = tracked()
    assert ROOT / "pyproject.toml" in files
    assert ROOT / "tests" / "test_house.py" in files
    assert WEB / "vendor" / "uPlot.iife.min.js" not in files
    named = {str(path.relative_to(ROOT)): hosts.findall(path.read_bytes()) for path in files}
    assert {name: found for name, found in named.items() if found} == {}


def test_the_lock_file_pins_by_hash_and_names_no_address() -> None:
    lock = json.loads((WEB / "package-lock.json").read_text())
    wished = json.loads((WEB / "package.json").read_text())["dependencies"]
    installed = {name: entry for name, entry in lock["packages"].items() if name}
    assert {name.rpartition("node_modules/")[2] for name in installed} >= set(wished)
    for name, entry in installed.items():
        assert "resolved" not in entry, name
        assert re.fullmatch(r"sha512-[A-Za-z0-9+/]+=*", entry["integrity"]), name
    assert all(re.fullmatch(r"\d+\.\d+\.\d+", version) for version in wished.values())
    assert (ROOT / ".npmrc").read_text().strip() == "omit-lockfile-registry-resolved=true"


def test_the_build_settings_say_what_the_readers_of_the_project_rely_on() -> None:
    project = build_settings()["project"]
    assert project["name"] == "tailgrain"
    assert project["requires-python"] == ">=3.11"
    assert project["scripts"] == {"tailgrain": "edge.commands.cli:main"}
    assert set(project["optional-dependencies"]) == {"demo", "pdf", "parquet", "tests"}
    assert "MIT License" in (ROOT / "LICENSE").read_text()


def test_the_changelog_has_a_place_for_what_is_not_released() -> None:
    text = (ROOT / "CHANGELOG.md").read_text()
    assert re.search(r"^## \[Unreleased\]$", text, re.MULTILINE)


def test_every_page_of_the_hardware_notes_is_in_the_index_and_every_source_is_listed() -> None:
    notes = ROOT / "hardware_notes"
    index = (notes / "README.md").read_text()
    linked = set(re.findall(r"\]\(([a-z_]+\.md)\)", index))
    pages = {path.name for path in notes.glob("*.md")} - {"README.md"}
    assert linked == pages
    for name in pages:
        text, _, sources = (notes / name).read_text().partition("\n## Sources\n")
        assert sources, f"{name}: no list of sources"
        assert text.index("\n## ") == text.index("\n## Cautions"), f"{name}: cautions come first"
        used = set(re.findall(r"\[(\d+)\]", text))
        listed = set(re.findall(r"^(\d+)\. ", sources, re.MULTILINE))
        assert used == listed, f"{name}: used and listed sources differ: {sorted(used ^ listed)}"


# 20 s on the slowest machine tried: it builds, installs and starts a whole wheel.
@pytest.mark.slow_ok
@pytest.mark.timeout(55)
def test_the_wheel_installs_outside_the_tree_and_runs(tmp_path: Path) -> None:
    pip = [sys.executable, "-m", "pip", "--no-input", "--disable-pip-version-check"]
    built = subprocess.run(
        [*pip, "wheel", "--quiet", "--no-deps", "--no-build-isolation", "--wheel-dir", tmp_path, ROOT],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
    )
    assert built.returncode == 0, built.stderr
    (wheel,) = tmp_path.glob("tailgrain-*.whl")

    inside = set(zipfile.ZipFile(wheel).namelist())
    tree = {
        str(path.relative_to(ROOT))
        for path in tracked()
        if path.relative_to(ROOT).parts[0] in PACKAGES
        and path.name not in {"package.json", "package-lock.json"}
        and path.parent.name != "pictures"
    }
    assert {name for name in inside if ".dist-info/" not in name} == tree | {
        f"dashboard/web/vendor/{path.name}" for path in (WEB / "vendor").iterdir()
    }
    assert any(name.endswith(".dist-info/licenses/LICENSE") for name in inside)

    place = tmp_path / "place"
    installed = subprocess.run(
        [*pip, "install", "--quiet", "--no-deps", "--no-compile", "--target", place, wheel],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
    )
    assert installed.returncode == 0, installed.stderr
    elsewhere = {**os.environ, "PYTHONPATH": str(place), "PYTHONSAFEPATH": "1"}

    def run(*command: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, *command], cwd=tmp_path, env=elsewhere, capture_output=True, text=True, timeout=30
        )

    where = run("-c", "import edge.commands.cli as cli; print(cli.__file__)")
    assert where.stdout.strip().startswith(str(place)), where.stdout + where.stderr
    helped = run(str(place / "bin" / "tailgrain"), "--help")
    assert helped.returncode == 0, helped.stderr
    assert helped.stdout.startswith("Usage: tailgrain ")
    assert helped.stderr == ""
    # 100 kg/ha is 10 g/m2; at 31.7 g per thousand kernels that is 315.46 of them.
    reckoned = run(str(place / "bin" / "tailgrain"), "calc", "kernels", "--tgw-g", "31.7", "--json")
    assert json.loads(reckoned.stdout)["per_m2_for_100_kg_ha"] == pytest.approx(315.457, abs=0.001), reckoned.stderr


def test_the_chart_library_is_the_locked_one(tmp_path: Path) -> None:
    vendor = WEB / "vendor"
    locked = json.loads((WEB / "package-lock.json").read_text())["packages"]["node_modules/uplot"]
    assert (vendor / "uPlot.integrity.txt").read_text().strip() == locked["integrity"]
    script = (vendor / "uPlot.iife.min.js").read_bytes()
    # The hash of the file in the npm package of version 1.6.32, taken once by hand.
    assert locked["version"] == "1.6.32"
    assert hashlib.sha256(script).hexdigest() == "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f"
    assert "MIT" in (vendor / "uPlot.LICENSE.txt").read_text()


def test_a_missing_tool_fails_in_ci_and_skips_at_the_desk(
    need: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    conftest = sys.modules[need.__module__]
    assert Path(need("sh")).name == "sh"
    monkeypatch.setattr(conftest, "IN_CI", True)
    with pytest.raises(pytest.fail.Exception, match="no-such-tool is not installed"):
        need("no-such-tool")
    monkeypatch.setattr(conftest, "IN_CI", False)
    with pytest.raises(pytest.skip.Exception, match="no-such-tool is not installed"):
        need("no-such-tool")


def test_waiting_gives_the_answer_or_fails(eventually: Callable[..., Any]) -> None:
    answers = iter([0, None, "", 7])
    assert eventually(lambda: next(answers)) == 7
    with pytest.raises(pytest.fail.Exception, match=r"the tide did not come true within 0\.05 s"):
        eventually(lambda: False, within=0.05, what="the tide")


def client() -> paho.Client:
    return paho.Client(paho.CallbackAPIVersion.VERSION2)


@pytest.mark.parametrize("mosquitto", [{"username": "kit", "password": "grain in the bin"}], indirect=True)
def test_the_broker_of_the_tests_asks_for_its_password(mosquitto: Any, eventually: Callable[..., Any]) -> None:
    said = []
    for password in ["wrong", mosquitto.password_file.read_text().splitlines()[0]]:
        answers: list[str] = []
        asking = client()
        asking.username_pw_set("kit", password)
        asking.on_connect = lambda _client, _data, _flags, reason, _properties, answers=answers: answers.append(
            str(reason)
        )
        asking.connect(mosquitto.host, mosquitto.port)
        asking.loop_start()
        eventually(lambda answers=answers: answers)
        asking.disconnect()
        asking.loop_stop()
        said.append(answers[0])
    assert said == ["Not authorized", "Success"]


def test_the_broker_of_the_tests_comes_back_on_its_port_and_forgets(
    mosquitto: Any, eventually: Callable[..., Any]
) -> None:
    port = mosquitto.port
    for kill in [False, True]:
        heard: list[bytes] = []
        talking = client()
        talking.on_message = lambda _client, _data, message, heard=heard: heard.append(message.payload)
        talking.connect(mosquitto.host, mosquitto.port)
        talking.loop_start()
        talking.publish("house/kept", b"state", qos=1, retain=True).wait_for_publish(5)
        talking.subscribe("house/#", qos=1)
        eventually(lambda heard=heard: heard == [b"state"])
        talking.disconnect()
        talking.loop_stop()
        (mosquitto.kill if kill else mosquitto.stop)()
        mosquitto.start()
        assert mosquitto.port == port
    listening = client()
    seen: list[Any] = []
    listening.on_message = lambda _client, _data, message: seen.append(message.topic)
    listening.on_subscribe = lambda *_args: seen.append("subscribed")
    listening.connect(mosquitto.host, mosquitto.port)
    listening.loop_start()
    listening.subscribe("house/#", qos=1)
    eventually(lambda: "subscribed" in seen)
    listening.publish("house/now", b"", qos=1).wait_for_publish(5)
    eventually(lambda: "house/now" in seen)
    listening.disconnect()
    listening.loop_stop()
    assert "house/kept" not in seen
