"""Reads systemd units as far as the units of this project go, and does what they say where no systemd runs.

    units.py daemon-reload
    units.py start|stop|restart|status NAME..
    units.py enable|disable [--now] NAME..

stands for systemctl(1) in the network and mount namespaces of a test: units in /etc/systemd/system with
their drop-ins, state in /run/units. Of a unit it applies user and group, working directory, umask, open files,
environment with %d, credentials, state directories, ProtectSystem=strict with ReadWritePaths, PrivateTmp,
PrivateNetwork, NoNewPrivileges and an empty CapabilityBoundingSet. System call filters and the other settings
are left to systemd: `systemd-analyze verify` and `security` look at those (test_units.py).
"""

import os
import pathlib
import shlex
import shutil
import signal
import subprocess
import sys
import time

UNITS, STATE = pathlib.Path("/etc/systemd/system"), pathlib.Path("/run/units")
#: Settings that only systemd can apply. Everything else that is not understood is a fault of this file.
LEFT_TO_SYSTEMD = {
    "Type", "KillSignal", "TimeoutStopSec", "TimeoutStartSec", "Restart", "RestartSec", "OOMScoreAdjust", "Nice",
    "IOSchedulingClass", "MemoryMax", "ProtectHome", "PrivateDevices", "PrivateUsers", "ProtectKernelTunables",
    "ProtectKernelModules", "ProtectKernelLogs", "ProtectControlGroups", "ProtectClock", "ProtectHostname",
    "ProtectProc", "ProcSubset", "RestrictAddressFamilies", "RestrictNamespaces", "RestrictRealtime",
    "RestrictSUIDSGID", "RemoveIPC", "LockPersonality", "MemoryDenyWriteExecute", "AmbientCapabilities",
    "KeyringMode", "SystemCallArchitectures", "SystemCallFilter", "IPAddressDeny", "StateDirectoryMode",
}
APPLIED = {
    "User", "Group", "WorkingDirectory", "ExecStart", "ExecStartPre", "ExecStartPost", "StateDirectory", "UMask",
    "LimitNOFILE", "Environment", "LoadCredential", "NoNewPrivileges", "ProtectSystem", "PrivateTmp",
    "PrivateNetwork", "CapabilityBoundingSet", "ReadWritePaths",
}


def read(*files):
    """Sections of a unit with its drop-ins: for each a list of (name, value) in order."""
    sections = {}
    for file in files:
        section = None
        for line in file.read_text().splitlines():
            line = line.strip()
            if not line or line[0] in "#;":
                continue
            if line.startswith("["):
                section = sections.setdefault(line.strip("[]"), [])
            else:
                name, value = line.split("=", 1)
                section.append((name.strip(), value.strip()))
    return sections


def service(name):
    file = UNITS / name
    return read(file, *sorted((UNITS / f"{name}.d").glob("*.conf")))["Service"]


def full(name):
    return name if name.endswith((".service", ".timer")) else f"{name}.service"


class Unit:
    def __init__(self, name):
        self.name, self.settings = name, service(name)
        unknown = {key for key, _ in self.settings} - LEFT_TO_SYSTEMD - APPLIED
        if unknown:
            sys.exit(f"{name}: {unknown} is not understood by this test")
        self.pid_file, self.log = STATE / f"{name}.pid", STATE / f"{name}.log"

    def all(self, key):
        return [value for name, value in self.settings if name == key]

    def one(self, key, default=None):
        return (self.all(key) or [default])[-1]

    def prefix(self):
        """The command that becomes another one within the walls of the unit."""
        user, group = self.one("User", "root"), self.one("Group", "root")
        state = [f"/var/lib/{name}" for name in self.all("StateDirectory")]
        credentials = f"/run/credentials/{self.name}"
        environment = {"PATH": "/usr/local/bin:/usr/bin:/bin", "HOME": "/"}
        for each in self.all("Environment"):
            key, value = shlex.split(each)[0].split("=", 1)
            environment[key] = value.replace("%d", credentials)
        for variable in ("PULVERLOG_LOG__ALLOW_TMPFS",):
            if variable in os.environ:
                environment[variable] = os.environ[variable]
        walls = ["set -e"]
        for directory in state:
            walls += [f"install -d -o {user} -g {group} -m {self.one('StateDirectoryMode', '0755')} {directory}"]
        if self.all("LoadCredential"):
            environment["CREDENTIALS_DIRECTORY"] = credentials
            walls += [f"rm -rf {credentials}", f"install -d -o {user} -m 0700 {credentials}"]
            for each in self.all("LoadCredential"):
                name, source = each.split(":", 1)
                walls += [f"install -o {user} -g {group} -m 0400 {source} {credentials}/{name}"]
        if self.one("ProtectSystem") == "strict":
            # The writable ones are mounted upon themselves first; then everything else is read-only.
            writable = state + " ".join(self.all("ReadWritePaths")).split()
            walls += [f"mount --bind {path} {path}" for path in writable]
            walls += ["for at in $(awk '{print $2}' /proc/mounts | sort -u); do case \"$at\" in",
                      f"  {'|'.join(writable + ['/proc/*', '/dev/*', '/sys/*'])}) ;;",
                      "  *) mount -o remount,bind,ro \"$at\" 2>/dev/null || true ;;", "esac; done"]
        if self.one("PrivateTmp") == "yes":
            walls += ["mount -t tmpfs -o mode=1777 tmpfs /tmp"]
        # A machine that allows less than the unit asks for gives what it has.
        walls += [f"ulimit -n {self.one('LimitNOFILE', '1024')} 2>/dev/null || true", f"umask {self.one('UMask', '0022')}",
                  f"cd {self.one('WorkingDirectory', '/')}"]
        assert self.one("CapabilityBoundingSet") == "" and self.one("NoNewPrivileges") == "yes", self.name
        drop = ["setpriv", "--reuid", user, "--regid", group, "--clear-groups", "--no-new-privs",
                "--bounding-set=-all", "--inh-caps=-all", "--"]
        variables = [f"{key}={value}" for key, value in environment.items()]
        walls += ["exec env -i " + shlex.join(variables) + " " + shlex.join(drop) + ' "$@"']
        unshare = ["unshare", "--mount", "--propagation", "private"]
        if self.one("PrivateNetwork") == "yes":
            unshare += ["--net"]
        return [*unshare, "bash", "-c", "\n".join(walls), "walls"]

    def command(self, line):
        return [*self.prefix(), *[word.replace("%%", "%") for word in shlex.split(line)]]

    def run(self, key):
        for line in self.all(key):
            with self.log.open("a") as log:
                done = subprocess.run(self.command(line), stdin=subprocess.DEVNULL, stdout=log, stderr=log)
            if done.returncode:
                sys.exit(f"{self.name}: {key} ended with {done.returncode}\n{self.log.read_text()}")

    def start(self):
        STATE.mkdir(exist_ok=True)
        self.run("ExecStartPre")
        if self.one("Type") == "oneshot":
            self.run("ExecStart")
            self.run("ExecStartPost")
            return
        with self.log.open("a") as log:
            child = subprocess.Popen(self.command(self.one("ExecStart")), stdin=subprocess.DEVNULL, stdout=log,
                                     stderr=log, start_new_session=True)
        self.pid_file.write_text(str(child.pid))

    def stop(self):
        if not self.pid_file.is_file():
            return
        pid = int(self.pid_file.read_text())
        self.pid_file.unlink()
        try:
            os.kill(pid, signal.SIGTERM)
        except ProcessLookupError:
            return
        for _ in range(6000):
            # It is no child of this process: gone, or a zombie of whoever adopted it.
            try:
                state = pathlib.Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
            except (FileNotFoundError, ProcessLookupError):
                return
            if state == "Z":
                return
            time.sleep(0.01)
        sys.exit(f"{self.name} did not stop within a minute")

    def status(self):
        if self.log.is_file():
            sys.stdout.write(self.log.read_text())


def main(words):
    verb, now = words[0], "--now" in words
    names = [full(word) for word in words[1:] if not word.startswith("-")]
    for name in names:
        if not (UNITS / name).is_file():
            sys.exit(f"Unit {name} not found.")
        if name.endswith(".timer"):
            timer = dict(read(UNITS / name)["Timer"])
            done = subprocess.run(["systemd-analyze", "calendar", timer["OnCalendar"]], capture_output=True) \
                if shutil.which("systemd-analyze") else None
            if done and done.returncode:
                sys.exit(f"{name}: no calendar: {done.stderr.decode()}")
            continue
        unit = Unit(name)
        if verb in ("stop", "restart") or (verb == "disable" and now):
            unit.stop()
        if verb in ("start", "restart") or (verb == "enable" and now):
            unit.start()
        if verb == "status":
            unit.status()


if __name__ == "__main__":
    main(sys.argv[1:])
