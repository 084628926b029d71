"""`tailgrain install`: units that systemd itself accepts."""

from __future__ import annotations

import subprocess

import pytest

from edge.commands.install import install
from edge.contract.errors import SettingsError, StoreError, WrongInput
from edge.playback.blocks import is_database
from tests.kits.tools import need_tool

SETTINGS = '[machine]\nname = "Older machine"\ncut_width_m = 9.1\n'


@pytest.fixture
def config(tmp_path):
    path = tmp_path / "kit.toml"
    path.write_text(SETTINGS)
    return path


def test_systemd_accepts_both_units(tmp_path, config):
    verify = need_tool("systemd-analyze")
    folder = tmp_path / "units"
    folder.mkdir()
    said = install(config, "root", folder, show=False)
    for verb in ("run", "dashboard"):
        unit = folder / f"tailgrain-{verb}.service"
        assert f"{verb} --config {config}" in unit.read_text()
        done = subprocess.run([verify, "verify", str(unit)], capture_output=True, text=True)
        assert "tailgrain" not in done.stderr, done.stderr  # a complaint names the unit
    assert any("daemon-reload" in line for line in said)


@pytest.mark.parametrize("show", [True, False])
def test_it_says_where_the_services_keep_their_data(tmp_path, config, show):
    # systemd.exec(5): StateDirectory= of a system service lies under /var/lib.
    said = "\n".join(install(config, "kit", tmp_path, show=show))
    assert "data: the services keep it in /var/lib/tailgrain/tailgrain.db" in said
    assert "sudo -u kit" in said and "export /var/lib/tailgrain/tailgrain.db csv" in said
    config.write_text(f'{SETTINGS}[store]\npath = "{tmp_path}/kept"\n')
    assert f"keep it in {tmp_path}/kept/tailgrain.db" in "\n".join(install(config, "kit", tmp_path, show=show))


def test_a_folder_of_ones_own_is_made_before_the_services_start(tmp_path, config):
    """systemd.exec(5): a unit whose ReadWritePaths= is not there does not start, and StateDirectory= makes only its own."""
    assert "install -d" not in "\n".join(install(config, "kit", tmp_path, show=False))
    config.write_text(f'{SETTINGS}[store]\npath = "{tmp_path}/its own"\n')
    said = install(config, "kit", tmp_path, show=False)
    made = next(number for number, line in enumerate(said) if f"install -d -m 750 -o kit '{tmp_path}/its own'" in line)
    assert made < next(number for number, line in enumerate(said) if "enable --now" in line)
    (tmp_path / "its own").mkdir()
    assert "install -d" not in "\n".join(install(config, "kit", tmp_path, show=False))


def test_a_database_that_is_not_there_names_that_of_the_services(tmp_path):
    looked = tmp_path / "tailgrain.db"
    with pytest.raises(StoreError) as raised:
        is_database(looked)
    assert str(looked) in str(raised.value) and "/var/lib/tailgrain/tailgrain.db" in str(raised.value)
    assert "\n" not in str(raised.value)


def test_show_writes_nothing(tmp_path, config):
    folder = tmp_path / "units"
    folder.mkdir()
    assert "ExecStart=" in install(config, None, folder, show=True)[0]
    assert not list(folder.iterdir())


def test_a_folder_that_is_not_there_is_one_clear_line(tmp_path, config):
    with pytest.raises(WrongInput, match="can't be written"):
        install(config, None, tmp_path / "nowhere", show=False)


def test_faulty_settings_write_nothing(tmp_path, config):
    config.write_text("[machine]\nname = 1\n")
    with pytest.raises(SettingsError):
        install(config, None, tmp_path, show=False)
    assert not list(tmp_path.glob("*.service"))
