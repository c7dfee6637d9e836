"""A throw-away Slurm on this machine for tests: a controller, some nodes, no accounting.

Everything runs as root, listens on loopback, limits nothing and notices a dead node in
seconds. The nodes are several slurmd on one host, told apart by name, port and folder.
"""

import contextlib
import os
import re
import secrets
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

PROGRAMS = ("munged", "munge", "slurmctld", "slurmd", "sbatch", "srun", "scontrol", "unshare")
# The executor's step on a node drops SLURM_CONF, so that srun finds its cluster here alone.
CONF = Path("/etc/slurm/slurm.conf")
OURS = "# Of a throw-away cluster for tests.\n"
CPUS = 4  # claimed, whatever the machine has
START_S = 30
HOSTED = ("unshare", "--uts", "sh", "-c", 'hostname localhost && exec "$@"', "sh")


class Refused(Exception):  # noqa: N818 (what the machine does)
    """No cluster can be started here; the text says why."""


def refusal() -> str | None:
    """Say why no cluster can be started here; None if it can."""
    missing = [program for program in PROGRAMS if shutil.which(program) is None]
    if missing:
        return f"not installed: {', '.join(missing)} (apt-get install slurm-wlm munge)"
    if os.geteuid() != 0:
        return "a node starts jobs as their owner, which only root can do"
    if subprocess.run([*HOSTED, "true"], capture_output=True, check=False).returncode:
        return "a host name of its own for the cluster is not allowed here (unshare --uts)"
    if CONF.is_symlink() or (CONF.exists() and not CONF.read_text().startswith(OURS)):
        return f"{CONF} is there: this machine belongs to a cluster"
    if CONF.exists() and _is_up(os.environ):
        return f"the cluster of {CONF} is up: another test runs"
    return None


def _is_up(env: Mapping[str, str]) -> bool:
    asked = subprocess.run(["scontrol", "ping"], env=env, capture_output=True, check=False)
    return b" UP" in asked.stdout


class Cluster:
    """A running cluster; `env` is for whoever submits to it."""

    def __init__(self, folder: Path, n_nodes: int) -> None:
        self.folder = folder
        self.nodes = [f"{folder.name}n{i}" for i in range(1, n_nodes + 1)]
        self.daemons: dict[str, subprocess.Popen[bytes]] = {}
        self.env = os.environ | {"SLURM_CONF": str(CONF)}

    def start(self) -> None:
        """Start munge, the controller and every node, and wait until the nodes are idle."""
        for name in ("run", "log", "state", *self.nodes):
            (self.folder / name).mkdir(mode=0o755)
        key = self.folder / "munge.key"
        key.write_bytes(secrets.token_bytes(128))
        key.chmod(0o400)
        paths = {"socket": "munge.sock", "pid-file": "munged.pid", "seed-file": "munge.seed"}
        self._launch(
            *("munged", "munged", "--foreground", "--force", f"--key-file={key}"),
            *(f"--{option}={self.folder / 'run' / name}" for option, name in paths.items()),
            f"--log-file={self.folder / 'log/munged.log'}",
        )
        self._wait_for("munge", "--socket", str(self.folder / "run/munge.sock"), "--no-input")
        CONF.parent.mkdir(exist_ok=True)
        CONF.write_text(self._configuration(), encoding="utf-8")
        self._launch("slurmctld", *HOSTED, "slurmctld", "-D")
        self._wait_for("sh", "-c", "scontrol ping | grep -q UP$")
        for node in self.nodes:
            self.start_node(node)
        self._wait_for("sh", "-c", f"test $(sinfo -h -N -t idle | wc -l) = {len(self.nodes)}")

    def start_node(self, node: str) -> None:
        """Start a node, also one that crashed."""
        self._launch(node, *HOSTED, "slurmd", "-D", "-N", node)

    def crash(self, node: str) -> int:
        """Kill a node and all that runs on it, as a power cut would; return how much ran."""
        self.daemons[node].kill()  # first, so that it reports no deaths
        self.daemons.pop(node).wait()
        for pid in (running := self._running_on(node)):
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        return len(running)

    def jobs(self, node: str) -> int:
        """Return how many jobs run on a node."""
        listed = self._ask("squeue", "-h", "-t", "RUNNING", "-w", node, "-o", "%i")
        return len(listed.split())

    def runs(self, node: str, text: str) -> bool:
        """Return whether a job on a node runs a command with a text in it."""
        for pid in self._running_on(node):
            with contextlib.suppress(OSError):
                if text.encode() in Path(f"/proc/{pid}/cmdline").read_bytes():
                    return True
        return False

    def stop(self) -> None:
        """End the jobs, then every daemon, and give the machine back."""
        subprocess.run(["scancel", "--user=root"], env=self.env, check=False)
        for name in [*self.nodes, "slurmctld", "munged"]:
            if daemon := self.daemons.get(name):
                daemon.terminate()
                try:
                    daemon.wait(10)
                except subprocess.TimeoutExpired:
                    daemon.kill()
                    daemon.wait()
        for node in self.nodes:
            for pid in self._running_on(node):
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
        CONF.unlink(missing_ok=True)

    def _running_on(self, node: str) -> list[int]:
        """Return what runs on a node: the keepers of its jobs first, then the jobs.

        A job's processes carry the node's name; its keeper (slurmstepd) does not, but is the
        parent of the first of them.
        """
        jobs, keepers = set(), set()
        for folder in Path("/proc").glob("[0-9]*"):
            with contextlib.suppress(OSError):
                if f"SLURMD_NODENAME={node}\0".encode() in (folder / "environ").read_bytes():
                    jobs.add(int(folder.name))
                    parent = re.search(r"PPid:\t(\d+)", (folder / "status").read_text())[1]
                    if Path(f"/proc/{parent}/comm").read_text() == "slurmstepd\n":
                        keepers.add(int(parent))
        return [*sorted(keepers), *sorted(jobs - keepers)]

    def _launch(self, name: str, *command: str) -> None:
        with (self.folder / "log" / f"{name}.out").open("ab") as out:
            self.daemons[name] = subprocess.Popen(
                command, stdout=out, stderr=out, stdin=subprocess.DEVNULL, env=self.env
            )

    def _ask(self, *command: str) -> str:
        return subprocess.run(
            command, env=self.env, capture_output=True, text=True, check=True
        ).stdout

    def _wait_for(self, *command: str) -> None:
        until = time.monotonic() + START_S
        while subprocess.run(
            command, env=self.env, capture_output=True, check=False
        ).returncode:
            if time.monotonic() > until:
                logs = sorted((self.folder / "log").iterdir())
                ends = "\n".join(f"{log.name}: {log.read_text()[-800:]}" for log in logs)
                raise Refused(f"not up within {START_S} s: {' '.join(command)}\n{ends}")
            time.sleep(0.2)

    def _configuration(self) -> str:
        run, log = self.folder / "run", self.folder / "log"
        ports = _free_ports(1 + len(self.nodes))
        lines = [
            f"ClusterName={self.folder.name}",
            "SlurmctldHost=localhost(127.0.0.1)",
            f"SlurmctldPort={ports.pop()}",
            *("SlurmUser=root", "SlurmdUser=root"),
            *("AuthType=auth/munge", "CredType=cred/munge"),
            f"AuthInfo=socket={run / 'munge.sock'}",
            "CommunicationParameters=NoInAddrAny,NoCtldInAddrAny",
            f"StateSaveLocation={self.folder / 'state'}",
            f"SlurmdSpoolDir={self.folder / '%n'}",
            f"SlurmctldPidFile={run / 'slurmctld.pid'}",
            f"SlurmdPidFile={run / 'slurmd.%n.pid'}",
            f"SlurmctldLogFile={log / 'slurmctld.log'}",
            f"SlurmdLogFile={log / 'slurmd.%n.log'}",
            "SlurmdParameters=config_overrides",  # a node may claim more than there is
            *("ProctrackType=proctrack/linuxproc", "TaskPlugin=task/none"),  # no cgroups
            *("SelectType=select/cons_tres", "SelectTypeParameters=CR_CPU_Memory"),
            *("SwitchType=switch/none", "MpiDefault=none"),
            *("JobAcctGatherType=jobacct_gather/none",),
            *("AccountingStorageType=accounting_storage/none",),
            *("SlurmdTimeout=6", "SlurmctldTimeout=30", "MessageTimeout=6", "KillWait=2"),
            *("ReturnToService=2", "MinJobAge=300"),
            "SchedulerParameters=bf_interval=2,sched_min_interval=0,batch_sched_delay=1",
        ]
        lines += [
            f"NodeName={node} NodeHostname=localhost NodeAddr=127.0.0.1 Port={port} "
            f"CPUs={CPUS} RealMemory=8000"
            for node, port in zip(self.nodes, ports, strict=True)
        ]
        lines.append("PartitionName=all Nodes=ALL Default=YES MaxTime=INFINITE State=UP")
        return OURS + "\n".join(lines) + "\n"


def _free_ports(n: int) -> list[int]:
    with contextlib.ExitStack() as held:
        taken = [held.enter_context(socket.socket()) for _ in range(n)]
        for one in taken:
            one.bind(("127.0.0.1", 0))
        return [one.getsockname()[1] for one in taken]


@contextlib.contextmanager
def cluster(*, n_nodes: int) -> Iterator[Cluster]:
    """Start a cluster for a block; Refused says why it cannot be.

    Its folder has a short path: that of a Unix socket ends at 107 bytes.
    """
    if words := refusal():
        raise Refused(words)
    with tempfile.TemporaryDirectory(prefix="slurm") as folder:
        Path(folder).chmod(0o755)
        made = Cluster(Path(folder), n_nodes)
        try:
            made.start()
            yield made
        finally:
            made.stop()
