"""The tiny project on a Slurm of its own: one node, on loopback, in a temporary folder."""

import getpass
import os
import re
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from pathlib import Path

import pytest

pytestmark = pytest.mark.cluster

ROOT = Path(__file__).resolve().parents[2]
CLIENTS = ("sbatch", "scancel", "scontrol", "sinfo", "squeue", "srun")
SYSTEM = os.pathsep.join((os.environ.get("PATH", os.defpath), "/usr/sbin"))

# The node has more processors than the machine, so that no job waits for another.
CONFIGURATION = """\
ClusterName=loopback
SlurmctldHost={host}(127.0.0.1)
CommunicationParameters=NoInAddrAny,NoCtldInAddrAny
AuthType=auth/munge
AuthInfo=socket={folder}/munge.socket
SlurmUser={user}
SlurmdUser={user}
SlurmctldPort={ports[0]}
SlurmdPort={ports[1]}
StateSaveLocation={folder}/state
SlurmdSpoolDir={folder}/spool
SlurmctldPidFile={folder}/slurmctld.pid
SlurmdPidFile={folder}/slurmd.pid
SlurmctldLogFile={folder}/slurmctld.log
SlurmdLogFile={folder}/slurmd.log
SlurmdParameters=config_overrides
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
MpiDefault=none
SelectType=select/cons_tres
SelectTypeParameters=CR_Core_Memory
ReturnToService=2
MailProg=/bin/true
JobAcctGatherType=jobacct_gather/none
AccountingStorageType=accounting_storage/none
SchedulerParameters=sched_interval=1,sched_min_interval=0,bf_interval=1
MinJobAge=300
KillWait=5
NodeName={host} NodeAddr=127.0.0.1 CPUs=64 RealMemory=64000 State=UNKNOWN
PartitionName=main Nodes={host} Default=YES MaxTime=INFINITE State=UP
"""


@pytest.fixture(scope="module")
def slurm():
    """Folder of commands of a Slurm that was started for this test; they come first in PATH."""
    # The path of a socket must be short, and munge wants others to be able to reach its own.
    with tempfile.TemporaryDirectory(prefix="slurm-") as temporary:
        folder, started = Path(temporary), []
        folder.chmod(0o755)
        try:
            yield start(folder, started)
        finally:
            said([folder / "bin" / "scancel", "--user", getpass.getuser()])
            for process in reversed(started):
                os.kill(process, signal.SIGTERM)
            wait_for(lambda: not any(map(is_alive, started)), folder)


def start(folder, started):
    """Start the daemons; note their process ids in a list and return the folder of commands."""
    for name in ("state", "spool", "bin"):
        (folder / name).mkdir()
    start_munge(folder, started)
    configuration = folder / "slurm.conf"
    configuration.write_text(
        CONFIGURATION.format(
            folder=folder,
            host=socket.gethostname().split(".")[0],
            user=getpass.getuser(),
            ports=[free_port(), free_port()],
        )
    )
    environment = {**os.environ, "SLURM_CONF": str(configuration)}
    for name in ("slurmctld", "slurmd"):
        said([name], environment)
        started.append(wait_for(lambda name=name: pid_in(folder / f"{name}.pid"), folder))
    # The plugin drops SLURM_CONF from the environment of job steps, so each command sets it itself.
    for name in CLIENTS:
        command = folder / "bin" / name
        real = shutil.which(name, path=SYSTEM)
        command.write_text(f'#!/bin/sh\nSLURM_CONF={configuration} exec {real} "$@"\n')
        command.chmod(0o755)
    wait_for(lambda: said([folder / "bin" / "sinfo", "-h", "-o", "%T"]) == "idle\n", folder)
    return folder / "bin"


def start_munge(folder, started):
    """Start the daemon that vouches for who somebody is, with a key of its own."""
    key = folder / "munge.key"
    key.write_bytes(os.urandom(128))
    key.chmod(0o400)
    names = {"socket": "munge.socket", "log-file": "munged.log", "seed-file": "munge.seed"}
    names |= {"key-file": "munge.key", "pid-file": "munged.pid"}
    said(["munged", "--force", *(f"--{option}={folder / name}" for option, name in names.items())])
    started.append(wait_for(lambda: pid_in(folder / "munged.pid"), folder))


def said(words, environment=None):
    """Run a command that must succeed and return what it printed."""
    command = [shutil.which(words[0], path=SYSTEM), *words[1:]]
    return subprocess.run(
        command, env=environment, check=True, capture_output=True, text=True, timeout=600
    ).stdout


def free_port():
    """Return a port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def pid_in(path):
    """Return the process id in a file, or None."""
    text = path.read_text().strip() if path.exists() else ""
    return int(text) if text else None


def is_alive(process):
    """Tell whether a process is there; one that has ended and waits to be reaped is not."""
    try:
        return Path(f"/proc/{process}/stat").read_text().split(") ")[1][0] != "Z"
    except FileNotFoundError:
        return False


def wait_for(condition, folder):
    """Return what a condition gives as soon as it gives something."""
    for _ in range(3000):
        found = condition()
        if found:
            return found
        time.sleep(0.1)
    logs = "\n".join(path.read_text()[-2000:] for path in folder.glob("*.log"))
    raise AssertionError(logs)


@pytest.fixture
def on_slurm(slurm, stored, monkeypatch):
    """Return the options with which a home's project runs on that Slurm."""
    monkeypatch.setenv("PATH", f"{slurm}{os.pathsep}{os.environ.get('PATH', os.defpath)}")
    return [
        *("--profile", str(ROOT / "config" / "profile")),
        *("--workflow-profile", str(ROOT / "config" / "profile-slurm")),
        *("--slurm-no-account", "--slurm-status-command", "squeue"),
        *("--seconds-between-status-checks", "1", "--slurm-init-seconds-before-status-checks", "1"),
        *("--latency-wait", "10"),
    ]


def test_slurm_gives_the_products_of_one_machine(
    finished, make_home, on_slurm, stored, products, command_line, tmp_path
):
    """Each rule runs as jobs of Slurm, frames come from object storage, products are the same."""
    home = make_home(tmp_path / "home", title="Nébuleuse")
    home.raw.rmdir()
    home.change_project(raw=[stored])
    command = home.by_hand(*on_slurm, "--", "all")
    said = command_line.said(command, seconds=3000)
    assert len(re.findall("has been submitted with SLURM jobid", said)) == 49
    assert products(home) == products(finished[0])
    assert "Nothing to be done" in command_line.said(command)
