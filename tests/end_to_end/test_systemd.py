"""The units and their scripts, as far as they can be judged without starting anything."""

import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from pedal.library.settings import Config, load_config

PROJECT = Path(__file__).resolve().parents[2]
FOLDER = PROJECT / "systemd"
UNITS = ("pedal.service", "pedal-synth.service")
VENV = Path(sys.prefix)

needs_systemd = pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="systemd is not installed")


def script(name, *arguments, root=None, status=0):
    """What a script says; `root` becomes its DESTDIR."""
    environ = {key: value for key, value in os.environ.items() if key != "DESTDIR"}
    if root is not None:
        environ["DESTDIR"] = str(root)
    done = subprocess.run(
        ["bash", FOLDER / name, *map(str, arguments)],
        capture_output=True,
        text=True,
        env=environ,
        stdin=subprocess.DEVNULL,
    )
    assert done.returncode == status, done.stdout + done.stderr
    return done.stdout if status == 0 else done.stderr


def content(root):
    return {
        str(path.relative_to(root)): path.read_text() for path in sorted(root.rglob("*")) if path.is_file()
    }


@pytest.fixture
def installed(tmp_path):
    """A root folder in which everything lies where it belongs."""
    script("install.sh", "--venv", VENV, root=tmp_path)
    return tmp_path


def unit(root, name):
    return root / "etc/systemd/system" / name


@needs_systemd
class TestSystemdItself:
    def analyze(self, *arguments):
        done = subprocess.run(["systemd-analyze", *map(str, arguments)], capture_output=True, text=True)
        return done.returncode, done.stdout + done.stderr

    def test_verify_has_nothing_to_say(self, installed):
        if not shutil.which("fluidsynth"):
            pytest.skip("fluidsynth is not installed")
        # It ends with 0 even for values that it does not understand: what counts is that it is silent.
        assert self.analyze("verify", *(unit(installed, name) for name in UNITS)) == (0, "")

    def test_verify_would_say_something(self, installed):
        file = unit(installed, "pedal.service")
        file.write_text(file.read_text().replace("WatchdogSec=3s", "WatchdogSec=soon"))
        assert "soon" in self.analyze("verify", file)[1]

    @pytest.mark.parametrize("name", UNITS)
    def test_the_exposure_is_small(self, installed, name):
        judge = ("security", "--offline=true", "--no-pager")
        status, said = self.analyze(*judge, "--threshold=15", unit(installed, name))
        assert status == 0, said

    def test_the_threshold_can_be_missed(self, installed):
        file = unit(installed, "pedal.service")
        file.write_text("\n".join(line for line in file.read_text().splitlines() if "Protect" not in line))
        assert self.analyze("security", "--offline=true", "--threshold=15", "--no-pager", file)[0] != 0


class TestUnits:
    def test_what_the_box_relies_on(self, installed):
        lines = unit(installed, "pedal.service").read_text().splitlines()
        for line in (
            "StartLimitIntervalSec=0",
            "Type=notify",
            "Restart=always",
            "RestartSec=500ms",
            "LimitRTPRIO=40",
            "LimitRTTIME=500ms:1s",
            "RuntimeDirectory=pedal",
            "WorkingDirectory=%t/pedal",
            "StateDirectory=pedal",
            "PrivateNetwork=yes",
            "DeviceAllow=char-gpiochip rw",
            "DeviceAllow=char-alsa rw",
            f"ExecStart={VENV}/bin/pedal run --config /etc/pedal/pedal.toml",
            f"ExecStopPost=-{VENV}/bin/pedal silence --config /etc/pedal/pedal.toml",
        ):
            assert line in lines, line
        assert any(line.startswith("WatchdogSec=") for line in lines)
        assert any("PYTHONFAULTHANDLER=1" in line for line in lines)
        # Each of these breaks the pins or their library.
        assert "ProcSubset=pid" not in lines and "PrivateDevices=yes" not in lines

    def test_the_synth_is_alone_with_its_shell(self, installed):
        text = unit(installed, "pedal-synth.service").read_text()
        assert " -s " in text and "PrivateNetwork=yes" in text and "midi.autoconnect=0" in text

    def test_the_synth_has_the_name_that_the_settings_look_for(self, installed):
        name = re.search(r"midi\.portname=(\S+)", unit(installed, "pedal-synth.service").read_text())[1]
        assert load_config(installed / "etc/pedal/pedal.toml").synth.port == name


class TestSettings:
    def test_they_have_no_mistake(self, installed):
        load_config(installed / "etc/pedal/pedal.toml")

    def test_what_is_commented_out_is_what_holds(self, tmp_path):
        """Each `#key = value` is right, and changes nothing but for examples that say so."""
        text = (FOLDER / "pedal.toml").read_text()
        examples = ("set", "key", "V", "ready", "beat", "board")
        text = re.sub(rf"^#({'|'.join(examples)}) *=.*\n", "", text, flags=re.M)
        text = re.sub(r"^#\[switches\.second\].*\n#pin.*\n", "", text, flags=re.M)
        text = re.sub(r"^#(\w+ *=|\[)", r"\1", text, flags=re.M)
        (tmp_path / "sequences").mkdir()
        file = tmp_path / "pedal.toml"
        file.write_text(text)
        config, usual = load_config(file), Config()
        assert tomllib.loads(text).keys() >= {"play", "synth", "bass", "foot", "switches", "lamps", "gpio"}
        for field in ("tune", "key", "play", "gpio", "switches", "foot", "bass", "board", "set", "routine"):
            assert getattr(config, field) == getattr(usual, field), field
        assert (config.synth.latency_ms, config.synth.wire) == (usual.synth.latency_ms, usual.synth.wire)
        assert len(config.lamps.leds) == 6 and config.lamps.backend.active_high

    def test_its_examples_are_right(self, tmp_path):
        text = re.sub(r"^#(\w+ *=|\[)", r"\1", (FOLDER / "pedal.toml").read_text(), flags=re.M)
        (tmp_path / "sequences").mkdir()
        file = tmp_path / "pedal.toml"
        file.write_text(text)
        assert load_config(file).lamps.leds["V"].forward_v == 3.0


class TestInstall:
    def test_a_dry_run_does_nothing_and_says_all(self, tmp_path):
        said = script("install.sh", "--dry-run")
        for step in (
            "useradd --system",
            "--shell /usr/sbin/nologin",
            "python3 -m venv",
            f"pip install --quiet --disable-pip-version-check --upgrade {PROJECT}[pi]",
            "pedal.toml /etc/pedal/pedal.toml",
            "systemctl daemon-reload",
            "systemctl --quiet enable pedal-synth.service pedal.service",
            "systemctl restart pedal-synth.service pedal.service",
        ):
            assert step in said, step
        steps = [line for line in said.splitlines() if not line.startswith("install.sh: ")]
        assert all(line.startswith("+ ") for line in steps)
        assert not Path("/etc/pedal").exists() or "kept" in said

    def test_a_dry_run_into_a_folder(self, tmp_path):
        script("install.sh", "--dry-run", "--venv", VENV, root=tmp_path)
        assert list(tmp_path.iterdir()) == []

    def test_without_a_synth(self, tmp_path):
        assert "synth" not in script("install.sh", "--dry-run", "--no-synth").replace("--no-synth", "")
        script("install.sh", "--no-synth", "--venv", VENV, root=tmp_path)
        assert not unit(tmp_path, "pedal-synth.service").exists() and unit(tmp_path, "pedal.service").exists()

    def test_again_changes_nothing(self, installed):
        before = content(installed)
        script("install.sh", "--venv", VENV, root=installed)
        assert content(installed) == before

    def test_settings_are_never_overwritten(self, installed):
        for name in ("pedal.toml", "synth.env"):
            (installed / "etc/pedal" / name).write_text("# mine\n")
        said = script("install.sh", "--venv", VENV, root=installed)
        assert said.count("kept your") == 2
        for name in ("pedal.toml", "synth.env"):
            assert (installed / "etc/pedal" / name).read_text() == "# mine\n"

    def test_an_upgrade_renews_the_units(self, installed):
        file = unit(installed, "pedal.service")
        whole = file.read_text()
        file.write_text("[Unit]\n")
        script("install.sh", "--venv", VENV, root=installed)
        assert file.read_text() == whole

    @pytest.mark.parametrize(
        ("arguments", "message"),
        [
            (["--venv"], "--venv needs a folder"),
            (["--venv", "/no/such"], "there is no folder /no/such"),
            (["--venv", "/usr"], "/usr has no bin/pedal"),
            (["--fast"], "what is --fast?"),
        ],
    )
    def test_wrong_arguments(self, arguments, message):
        assert message in script("install.sh", "--dry-run", *arguments, status=1)

    def test_an_environment_that_the_service_cannot_see(self, tmp_path):
        """ProtectHome and PrivateTmp hide it."""
        (tmp_path / "bin").mkdir()
        (tmp_path / "bin/pedal").symlink_to(VENV / "bin/pedal")
        if not str(tmp_path).startswith("/tmp/"):
            pytest.skip("the temporary folder is not in /tmp")
        assert "may not look into" in script("install.sh", "--dry-run", "--venv", tmp_path, status=1)


class TestUninstall:
    def test_takes_the_units_and_leaves_the_settings(self, installed):
        script("uninstall.sh", root=installed)
        assert set(content(installed)) == {"etc/pedal/pedal.toml", "etc/pedal/synth.env"}
        script("uninstall.sh", root=installed)

    def test_purge_takes_everything(self, installed):
        script("uninstall.sh", "--purge", root=installed)
        assert content(installed) == {}

    def test_a_dry_run_does_nothing(self, installed):
        before = content(installed)
        assert "+ rm " in script("uninstall.sh", "--dry-run", "--purge", root=installed)
        assert content(installed) == before


@pytest.mark.parametrize("name", ["install.sh", "uninstall.sh"])
def test_the_scripts_are_sound_bash(name):
    assert os.access(FOLDER / name, os.X_OK)
    subprocess.run(["bash", "-n", FOLDER / name], check=True)
