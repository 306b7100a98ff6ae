"""Machines for a test: each a network and mount namespace with /etc, /var/lib, /var/backups, /run and
/usr/local of its own, joined by a cable (veth), with a memory stick at /mnt that all of them see. Needs root."""

import os
import pathlib
import shlex
import shutil
import signal
import subprocess
import sys

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parents[1]
OWN = ("etc", "var/lib", "var/backups", "run", "usr/local/bin", "usr/local/share")


def why_not():
    """Why there can be no such machine here; None if there can."""
    if os.geteuid() != 0:
        return "not root"
    for tool in ("ip", "unshare", "nsenter", "setpriv", "runuser", "useradd", "openssl", "curl"):
        if not shutil.which(tool):
            return f"no `{tool}`"
    name = f"pulverlog-try-{os.getpid()}"
    tried = subprocess.run(f"ip netns add {name} && ip link add vt{os.getpid()} type veth peer name vu{os.getpid()} "
                           f"netns {name} && ip link del vt{os.getpid()}", shell=True, capture_output=True, text=True)
    subprocess.run(["ip", "netns", "del", name], capture_output=True)
    return None if tried.returncode == 0 else f"no network namespaces: {tried.stderr.strip()}"


class Host:
    def __init__(self, folder, name, address, stick, programs):
        self.name = f"{name}{os.getpid()}"[:12]
        self.programs = programs
        for own in OWN:
            (folder / own).mkdir(parents=True)
        subprocess.run(["cp", "-a", "/etc/.", folder / "etc"], check=True)
        units = folder / "etc/systemd/system"
        shutil.rmtree(units, ignore_errors=True)
        units.mkdir(parents=True)
        systemctl = folder / "usr/local/bin/systemctl"
        systemctl.write_text(f"#!/bin/sh\nexec {sys.executable} {HERE}/units.py \"$@\"\n")
        systemctl.chmod(0o755)
        subprocess.run(["ip", "netns", "add", self.name], check=True)
        binds = "\n".join(f"mount --bind {shlex.quote(str(folder / own))} /{own}" for own in OWN)
        # Programs are installed from target/release, wherever the ones under test lie.
        release = ROOT / "target" / "release"
        release.mkdir(parents=True, exist_ok=True)
        if programs.resolve() != release.resolve():
            binds = f"mount --bind {shlex.quote(str(programs))} {shlex.quote(str(release))}\n" + binds
        walls = f"set -e\n{binds}\nmount --bind {shlex.quote(str(stick))} /mnt\necho ready\nexec sleep infinity"
        self.holder = subprocess.Popen(
            ["nsenter", f"--net=/run/netns/{self.name}", "unshare", "--mount", "--propagation", "private", "bash", "-c",
             walls], stdout=subprocess.PIPE, text=True)
        if self.holder.stdout.readline().strip() != "ready":
            raise RuntimeError(f"{name} could not be set up")
        self.address = address

    def run(self, script):
        """Runs a script as root on this machine; returns what it printed."""
        words = ["nsenter", f"--mount=/proc/{self.holder.pid}/ns/mnt", f"--net=/proc/{self.holder.pid}/ns/net",
                 f"--wdns={ROOT}", "bash", "-eu", "-o", "pipefail", "-c", script]
        done = subprocess.run(words, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=600)
        if done.returncode:
            raise AssertionError(f"on {self.name}, exit {done.returncode}:\n{script}\n{done.stdout}{done.stderr}")
        return done.stdout

    def end(self):
        """Ends what was started on this machine and takes it away."""
        pids = subprocess.run(["ip", "netns", "pids", self.name], capture_output=True, text=True).stdout.split()
        for pid in pids:
            try:
                os.kill(int(pid), signal.SIGKILL)
            except ProcessLookupError:
                pass
        self.holder.wait()
        self.holder.stdout.close()
        subprocess.run(["ip", "netns", "del", self.name], check=True)


def cable(one, other):
    """Joins two machines."""
    ends = [f"pl{host.name}"[:15] for host in (one, other)]
    ip = lambda *words: subprocess.run(["ip", *words], check=True)
    ip("link", "add", ends[0], "netns", one.name, "type", "veth", "peer", "name", ends[1], "netns", other.name)
    for host, end in zip((one, other), ends):
        for words in (["addr", "add", f"{host.address}/24", "dev", end], ["link", "set", end, "up"],
                      ["link", "set", "lo", "up"]):
            ip("-n", host.name, *words)
