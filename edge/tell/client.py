"""A paho client as this project uses it: the kit's voice, the page, `entry` and the demo connect with one."""

from __future__ import annotations

import logging
import socket
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from edge.contract.errors import SettingsError
from edge.contract.settings import MqttSettings

LOG = logging.getLogger("tailgrain.tell")

KEEPALIVE_S = 15
CONNECT_LIMIT_S = 5.0


def new_client(settings: MqttSettings, name: str) -> paho.Client:
    """A client that is not connected yet. Raises SettingsError when the password file can't be read."""
    client = paho.Client(
        CallbackAPIVersion.VERSION2, client_id=name, protocol=paho.MQTTv311, reconnect_on_failure=False
    )
    if settings.username:
        client.username_pw_set(settings.username, _password(settings))
    if settings.tls_ca_file:
        try:
            client.tls_set(ca_certs=settings.tls_ca_file)
        except (OSError, ValueError) as fault:
            raise SettingsError(f"mqtt.tls_ca_file: {settings.tls_ca_file} can't be used ({fault})") from fault
    client.connect_timeout = CONNECT_LIMIT_S
    client.on_socket_open = _without_delay
    return client


def _password(settings: MqttSettings) -> str | None:
    if not settings.password_file:
        return None
    try:
        return Path(settings.password_file).expanduser().read_text("utf-8").split("\n")[0].rstrip("\r")
    except (OSError, UnicodeDecodeError) as fault:
        raise SettingsError(f"mqtt.password_file: {settings.password_file} can't be read ({fault})") from fault


def _without_delay(client: paho.Client, userdata: Any, sock: Any) -> None:
    """Small messages leave at once (1 ms on loopback instead of 44)."""
    try:
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    except OSError as fault:
        LOG.debug("no TCP_NODELAY: %s", fault)
