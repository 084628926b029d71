"""Who may enter: the kit's PIN, kept as its scrypt hash; sessions in memory. `tries` says how often it may be tried.

Without a PIN entering works on a loopback host only. The file is read at every question, so a PIN set while the page is
served counts at once, and ends the sessions opened with the one before.
"""

from __future__ import annotations

import asyncio
import getpass
import hmac
import os
import secrets
import sys
import time
from pathlib import Path

from dashboard.enter import scrypt
from dashboard.serve.guard import is_loopback
from edge.contract import settings as settings_module
from edge.contract.errors import StoreError, WrongInput
from edge.contract.settings import Settings

SHORTEST, LONGEST = 4, 64
KIND = "scrypt"
SESSION_S = 12 * 3600.0
MOST_SESSIONS = 64
NO_PIN = "this page can be seen in the network and no PIN is set yet; whoever looks after the kit can set one"
COOKIE = "tailgrain-session"
CHECK_LIMIT_S = 20.0


def path_of(settings: Settings) -> Path:
    """Where the PIN's hash lies."""
    given = settings.dashboard.pin_file
    return Path(given).expanduser() if given else settings_module.state_directory(settings) / "pin"


def hashed(pin: str, salt: bytes) -> str:
    """The line that is kept for a PIN."""
    return _line(salt, scrypt.digest(pin.encode(), salt))


def _line(salt: bytes, digest: bytes) -> str:
    return f"{KIND}${salt.hex()}${digest.hex()}"


async def matches(pin: str, kept: str, limit_s: float = CHECK_LIMIT_S) -> bool:
    """Whether a PIN belongs to a kept line; the time taken tells nothing of it. Raises StoreError when no process of its
    own can be had for it."""
    kind, _, rest = kept.partition("$")
    try:
        salt = bytes.fromhex(rest.partition("$")[0])
    except ValueError:
        return False
    if kind != KIND:
        return False
    try:
        async with asyncio.timeout(limit_s):
            digest = await _digest_apart(pin.encode(), salt)
    except OSError as fault:  # TimeoutError too
        raise StoreError(f"the PIN can't be checked now ({str(fault) or 'it took too long'}); try again") from fault
    return hmac.compare_digest(_line(salt, digest), kept)


async def _digest_apart(pin: bytes, salt: bytes) -> bytes:
    child = await asyncio.create_subprocess_exec(
        sys.executable, "-I", "-S", scrypt.__file__, salt.hex(),
        stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.DEVNULL,
    )  # fmt: skip
    try:
        found, _ = await child.communicate(pin)
    finally:
        if child.returncode is None:
            child.kill()
            await child.wait()
    if child.returncode:
        raise OSError(f"status {child.returncode}")
    return found


def ask_and_set(settings: Settings) -> Path:
    """Ask for a new PIN (twice at a terminal, else one line of standard input) and keep its hash. Raises WrongInput."""
    if sys.stdin.isatty():
        pin = getpass.getpass("New PIN: ")
        if getpass.getpass("Again: ") != pin:
            raise WrongInput("dashboard: --set-pin: the two differ; nothing was changed")
    else:
        pin = sys.stdin.readline().rstrip("\r\n")
    if not SHORTEST <= len(pin) <= LONGEST or not pin.isprintable():
        raise WrongInput(f"dashboard: --set-pin: found {len(pin)} characters; allowed: {SHORTEST} to {LONGEST} that can be typed")
    path = path_of(settings)
    fresh = path.with_name(f"{path.name}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o750)
        fresh.unlink(missing_ok=True)
        with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(hashed(pin, secrets.token_bytes(16)) + "\n")
        fresh.replace(path)
    except OSError as fault:
        raise WrongInput(f"{path}: can't be written ({fault.strerror or fault})") from fault
    return path


class Keys:
    """Sessions of one server. `now` is monotonic time in s."""

    def __init__(self, settings: Settings) -> None:
        self._path = path_of(settings)
        self._host = settings.dashboard.host
        self._sessions: dict[str, tuple[float, str]] = {}

    def kept(self) -> str:
        """The kept line; empty without a PIN."""
        try:
            return self._path.read_text("utf-8").strip()
        except FileNotFoundError:
            return ""
        except (OSError, UnicodeDecodeError):
            return "unreadable"  # no PIN matches: nobody enters until it is set anew

    def why_not(self, session: str, now: float | None = None) -> str:
        """Why this browser may not enter; empty: it may. `pin` when the PIN would open it."""
        kept = self.kept()
        if not kept:
            return "" if is_loopback(self._host) else NO_PIN
        until, of = self._sessions.get(session, (0.0, ""))
        return "" if of == kept and (time.monotonic() if now is None else now) < until else "pin"

    def opened(self, now: float) -> str:
        """A new session."""
        self._sessions = {key: value for key, value in self._sessions.items() if value[0] > now}
        while len(self._sessions) >= MOST_SESSIONS:
            del self._sessions[next(iter(self._sessions))]
        session = secrets.token_urlsafe(32)
        self._sessions[session] = (now + SESSION_S, self.kept())
        return session
