"""The two services of a kit on a board with systemd: `run` and `dashboard`, as one system user, hardened.

Printed for a look, or written where systemd reads them. Nothing is started: the words that follow say how.
"""

from __future__ import annotations

import getpass
import shlex
import sys
from pathlib import Path

from edge.contract import settings as settings_module
from edge.contract.errors import WrongInput
from edge.contract.settings import Settings

UNIT_FOLDER = Path("/etc/systemd/system")

_UNIT = """[Unit]
Description=tailgrain {verb}: {words}
After=time-set.target network.target mosquitto.service
Wants=mosquitto.service

[Service]
Type=exec
User={user}
SupplementaryGroups=dialout
ExecStart={command}
Restart=always
RestartSec=2
RestartPreventExitStatus=2
StateDirectory=tailgrain
UMask=0027
NoNewPrivileges=yes
ProtectSystem=strict
ProtectHome=read-only
PrivateTmp=yes
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectControlGroups=yes
RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX
RestrictNamespaces=yes
RestrictSUIDSGID=yes
LockPersonality=yes
CapabilityBoundingSet=
DevicePolicy=closed
DeviceAllow=char-ttyUSB rw
DeviceAllow=char-ttyACM rw
DeviceAllow=char-ttyAMA rw
DeviceAllow=char-ttyS rw
{paths}
[Install]
WantedBy=multi-user.target
"""


def units(config: Path, user: str) -> dict[str, str]:
    """Text of both unit files by name. Daemon and page run as ONE user: another reader could lock the daemon out.

    Raises SettingsError for faulty settings.
    """
    loaded = settings_module.load(config)
    program = Path(sys.executable).with_name("tailgrain")
    words = {"run": "measures, keeps and publishes", "dashboard": "serves the page"}
    path = f"ReadWritePaths={loaded.store.path}\n" if loaded.store.path else ""
    return {
        f"tailgrain-{verb}.service": _UNIT.format(
            verb=verb,
            words=text,
            user=user,
            command=shlex.join([str(program), verb, "--config", str(config.resolve())]),
            paths=path,
        )
        for verb, text in words.items()
    }


def install(config: Path, user: str | None, folder: Path, show: bool) -> list[str]:
    """The `install` command; returns what to tell the person. Raises WrongInput when the folder can't be written."""
    texts = units(config, user or getpass.getuser())
    kept = _where_kept(settings_module.load(config), user or getpass.getuser())
    if show:
        return [*(f"# {folder / name}\n{text}" for name, text in texts.items()), *(f"# {line}" for line in kept)]
    try:
        for name, text in texts.items():
            (folder / name).write_text(text)
    except OSError as fault:
        raise WrongInput(f"install: {folder}: can't be written ({fault.strerror}); try with sudo, or --show") from fault
    names = " ".join(texts)
    return [f"written: {folder / name}" for name in texts] + _to_make(settings_module.load(config), user or getpass.getuser()) + [
        "next: sudo systemctl daemon-reload",
        f"then: sudo systemctl enable --now {names}",
        *kept,
    ]


def _to_make(settings: Settings, user: str) -> list[str]:
    """A folder of one's own must be there before the services start: systemd makes only the one of StateDirectory."""
    path = settings.store.path
    if path is None or Path(path) == settings_module.SERVICE_STATE or Path(path).is_dir():
        return []
    return [f"first: sudo install -d -m 750 -o {user} {shlex.quote(path)}"]


def _where_kept(settings: Settings, user: str) -> list[str]:
    """Where the services keep the database, which is not where a command run by hand would, and how it is read."""
    folder = settings_module.state_directory(settings) if settings.store.path else settings_module.SERVICE_STATE
    database, program = folder / settings_module.FILE_NAME, Path(sys.executable).with_name("tailgrain")
    return [
        f"data: the services keep it in {database}",
        f"read it: sudo -u {user} {program} export {database} csv -o /tmp/seconds.csv",
    ]
