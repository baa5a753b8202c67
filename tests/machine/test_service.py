"""What install.sh installs: it is ready, allowed what it needs and nothing else, and lets nobody in."""

import grp
import json
import os
import pwd
import re
import stat
from pathlib import Path

import pytest

from tests.machine.box import STATE, UNIT, VENV, command
from tests.machine.pins import level

PROBE = Path(__file__).with_name("probe.py")
FIFO, PRIORITY = 1, 30


def test_it_is_ready_and_says_so(box):
    box.start()
    assert box.show("ActiveState") == "active" and box.show("Type") == "notify"
    assert "ready: Wet Boots in A" in box.journal()
    assert command("systemctl", "is-enabled", UNIT).strip() == "enabled"


def test_installing_again_changes_nothing_of_yours(box):
    unit, settings = Path("/etc/systemd/system") / UNIT, Path("/etc/pedal/pedal.toml")
    kept = settings.read_text()
    try:
        settings.write_text("# mine\n" + kept)
        before = unit.read_text()
        assert "kept your /etc/pedal/pedal.toml" in box.install()
        assert (unit.read_text(), settings.read_text()) == (before, "# mine\n" + kept)
    finally:
        settings.write_text(kept)
    assert box.show("ActiveState") == "active"


def test_the_installed_unit_is_without_blemish(box):
    assert command("systemd-analyze", "verify", f"/etc/systemd/system/{UNIT}") == ""
    command("systemd-analyze", "security", "--threshold=15", "--no-pager", UNIT)


def test_it_runs_as_a_user_who_cannot_log_in(box):
    box.start()
    status = Path(f"/proc/{box.pid}/status").read_text()
    user = pwd.getpwnam("pedal")
    assert re.search(rf"^Uid:\t{user.pw_uid}\t", status, re.M) and user.pw_uid != 0
    assert user.pw_shell.endswith("nologin")
    groups = {int(number) for number in re.search(r"^Groups:\t(.*)$", status, re.M)[1].split()}
    assert {grp.getgrnam(name).gr_gid for name in ("gpio", "audio")} <= groups
    assert re.search(r"^CapEff:\t0+$", status, re.M) and re.search(r"^NoNewPrivs:\t1$", status, re.M)


def test_all_of_it_has_real_time_priority_and_keeps_its_memory(box):
    box.start()
    for task in os.listdir(f"/proc/{box.pid}/task"):
        assert os.sched_getscheduler(int(task)) & 7 == FIFO
        assert os.sched_getparam(int(task)).sched_priority == PRIORITY
    locked = int(re.search(r"^VmLck:\s+(\d+)", Path(f"/proc/{box.pid}/status").read_text(), re.M)[1])
    assert locked > 0
    assert "priority" not in box.journal() and "memory is not locked" not in box.journal()


def test_nobody_can_reach_it_over_a_network(box):
    def listening(where: str) -> list[str]:
        found = []
        for family in ("tcp", "tcp6", "udp", "udp6", "raw", "raw6"):
            lines = Path(f"{where}/net/{family}").read_text().splitlines()[1:]
            # 0A is LISTEN; a datagram socket that is bound hears everybody.
            found += [line for line in lines if family[:3] != "tcp" or line.split()[3] == "0A"]
        return found

    box.stop()
    before = len(listening("/proc/self"))
    box.start()
    assert listening(f"/proc/{box.pid}") == []
    assert len(listening("/proc/self")) == before


def test_the_control_socket_is_for_its_group(box):
    box.start()
    folder, control = os.stat("/run/pedal"), os.stat("/run/pedal/control")
    group = grp.getgrnam("pedal").gr_gid
    assert stat.S_IMODE(folder.st_mode) == 0o750 and stat.S_IMODE(control.st_mode) == 0o660
    assert (folder.st_gid, control.st_gid) == (group, group)
    assert box.status()["title"] == "Wet Boots"


@pytest.fixture(scope="module")
def probed(installed):
    """What a program can do in the same sandbox."""
    text = Path(f"/etc/systemd/system/{UNIT}").read_text()
    text = re.sub(r"^(ExecStopPost|Restart|RestartSec|WatchdogSec|NotifyAccess)=.*\n", "", text, flags=re.M)
    text = text.replace("Type=notify", "Type=oneshot")
    text = text.replace("StateDirectory=pedal", "StateDirectory=pedal-test")
    text = re.sub(r"^ExecStart=.*", f"ExecStart={VENV}/bin/python /run/pedal-probe.py", text, flags=re.M)
    unit, probe, answer = Path("/run/systemd/system/pedal-probe.service"), Path("/run/pedal-probe.py"), None
    installed.stop()
    Path("/home/pedal-secret").write_text("x")
    try:
        unit.parent.mkdir(exist_ok=True)
        unit.write_text(text)
        probe.write_bytes(PROBE.read_bytes())
        command("systemctl", "daemon-reload")
        command("systemctl", "start", "pedal-probe.service")
        answer = json.loads((STATE / "probe.json").read_text())
    finally:
        if answer is None:
            print(command("journalctl", "-u", "pedal-probe", "--no-pager", check=False))
        for file in (unit, probe, STATE / "probe.json", Path("/home/pedal-secret")):
            file.unlink(missing_ok=True)
        command("systemctl", "daemon-reload")
    return answer


MUST = [
    "gpio",
    "sequencer",
    "real-time priority",
    "lock memory",
    "write state",
    "write runtime",
    "unix socket",
]
MUST_NOT = [
    "write settings",
    "write program",
    "write /usr",
    "read home",
    "read shadow",
    "read disk",
    "read memory",
    "internet socket",
    "packet socket",
    "new namespace",
    "mount",
    "set clock",
    "load module",
    "kernel tunable",
    "see others' processes",
    "write and execute",
    "set user",
    "change root",
]


@pytest.mark.parametrize("what", MUST)
def test_the_sandbox_allows(probed, what):
    assert probed[what] == "done"


@pytest.mark.parametrize("what", MUST_NOT)
def test_the_sandbox_denies(probed, what):
    assert probed[what] != "done"


def test_the_probe_knows_nothing_else(probed):
    assert set(probed) == {*MUST, *MUST_NOT}


def test_a_stopped_box_leaves_its_pins_low(box):
    box.start()
    box.stop()
    assert not level(5) and box.lit() == frozenset()
