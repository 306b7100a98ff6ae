"""What deploy/ ships is well formed, and what it names exists."""

import json
import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile
import unittest

import kubernetes_validate
import yaml

import units

ROOT = pathlib.Path(__file__).resolve().parents[2]
DEPLOY = ROOT / "deploy"
SERVICES = sorted(DEPLOY.glob("*.service"))
TIMERS = sorted(DEPLOY.glob("*.timer"))
#: Highest exposure `systemd-analyze security` may give, of 10: a service that listens, one that does not.
EXPOSURE = {"pulverlog.service": 1.3, "relay.service": 1.3, "witness.service": 1.3,
            "pulverlog-backup.service": 0.5, "pulverlog-drill.service": 0.5}


def needs(tool):
    if not shutil.which(tool):
        print(f"SKIPPED: `{tool}` is not there", flush=True)
        raise unittest.SkipTest(tool)


class Units(unittest.TestCase):
    def test_systemd_takes_them(self):
        needs("systemd-analyze")
        with tempfile.TemporaryDirectory() as root:
            # With the programs they start, in a root of their own.
            for program in ("usr/local/bin/recorder", "usr/local/bin/relay", "usr/local/bin/witness", "bin/sh"):
                file = pathlib.Path(root, program)
                file.parent.mkdir(parents=True, exist_ok=True)
                file.write_text("#!/bin/sh\n")
                file.chmod(0o755)
            folder = pathlib.Path(root, "etc/systemd/system")
            folder.mkdir(parents=True)
            for file in [*SERVICES, *TIMERS]:
                shutil.copy(file, folder)
            # Targets and slices of the system stand for themselves.
            system = pathlib.Path(root, "usr/lib/systemd/system")
            system.mkdir(parents=True)
            for name in ("network-online", "time-sync", "multi-user", "timers", "basic", "sysinit", "shutdown", "umount",
                         "network", "time-set"):
                (system / f"{name}.target").write_text(f"[Unit]\nDescription={name}\n")
            said = subprocess.run(
                ["systemd-analyze", "verify", "--man=no", f"--root={root}", *[file.name for file in [*SERVICES, *TIMERS]]],
                capture_output=True, text=True)
            ours = [line for line in said.stderr.splitlines() if re.search(r"pulverlog|relay|witness", line)]
            self.assertEqual((said.returncode, ours), (0, []), said.stderr)

    def test_exposure_is_no_higher_than_stated(self):
        needs("systemd-analyze")
        for file in SERVICES:
            said = subprocess.run(["systemd-analyze", "security", "--offline=true", "--no-pager", file],
                                  capture_output=True, text=True, env={**os.environ, "LANG": "C.UTF-8"})
            found = re.search(r"exposure level for \S+: ([\d.]+)", said.stdout)
            self.assertTrue(found, said.stdout + said.stderr)
            print(f"{file.name}: exposure {found[1]} of 10", flush=True)
            self.assertLessEqual(float(found[1]), EXPOSURE[file.name], file.name)

    def test_what_they_start_exists(self):
        for file in SERVICES:
            settings = units.read(file)["Service"]
            for key, value in settings:
                if key.startswith("Exec") and "/usr/local/bin/" in value:
                    program, words = re.search(r"/usr/local/bin/(\w+) (.*)", value).groups()
                    command = next(w for w in words.split() if not w.startswith(("-", "/")))
                    binary = pathlib.Path(os.environ.get("PULVERLOG_TEST_PROGRAMS", ROOT / "target/release"), program)
                    done = subprocess.run([binary, command, "--help"], capture_output=True, text=True)
                    self.assertEqual(done.returncode, 0, f"{file.name}: {value}: {done.stderr}")
        for file in TIMERS:
            self.assertTrue(file.with_suffix(".service").is_file(), file.name)


class Manifests(unittest.TestCase):
    def test_kubernetes_takes_the_manifest(self):
        kinds = {}
        for document in yaml.safe_load_all((DEPLOY / "kubernetes.yaml").read_text()):
            kubernetes_validate.validate(document, "1.37", strict=True)
            kinds[document["kind"]] = document
        # One writer, not root, nothing writable but its volumes, and volumes that outlive the set.
        spec = kinds["StatefulSet"]["spec"]
        pod = spec["template"]["spec"]
        self.assertEqual(spec["replicas"], 1)
        self.assertTrue(pod["securityContext"]["runAsNonRoot"])
        self.assertFalse(pod["automountServiceAccountToken"])
        container, = pod["containers"]
        context = container["securityContext"]
        self.assertEqual((context["readOnlyRootFilesystem"], context["allowPrivilegeEscalation"],
                          context["capabilities"]), (True, False, {"drop": ["ALL"]}))
        probe = lambda name: container[name]["httpGet"]["path"]
        self.assertEqual([probe("livenessProbe"), probe("readinessProbe")], ["/healthz", "/readyz"])
        mounts = {mount["name"] for mount in container["volumeMounts"]}
        claims = {claim["metadata"]["name"] for claim in spec["volumeClaimTemplates"]}
        self.assertEqual(mounts, claims | {"config"})
        self.assertEqual(spec["persistentVolumeClaimRetentionPolicy"]["whenDeleted"], "Retain")
        self.assertEqual(set(kinds["NetworkPolicy"]["spec"]["policyTypes"]), {"Ingress", "Egress"})
        selector = spec["selector"]["matchLabels"]
        for kind in ("PodDisruptionBudget", "Service", "NetworkPolicy"):
            said = kinds[kind]["spec"].get("selector") or kinds[kind]["spec"]["podSelector"]
            self.assertEqual(said.get("matchLabels", said), selector, kind)

    def test_configurations_in_it_and_beside_it_are_usable_in_form(self):
        recorder = pathlib.Path(os.environ.get("PULVERLOG_TEST_PROGRAMS", ROOT / "target/release"), "recorder")
        documents = list(yaml.safe_load_all((DEPLOY / "kubernetes.yaml").read_text()))
        text, = [d["data"]["pulverlog.toml"] for d in documents if d["kind"] == "ConfigMap"]
        with tempfile.TemporaryDirectory() as folder:
            for name, config in (("kubernetes", text), ("sample", (DEPLOY / "pulverlog.toml").read_text())):
                file = pathlib.Path(folder, f"{name}.toml")
                file.write_text(config)
                done = subprocess.run([recorder, "check-config", "--offline", "--config", file], cwd=folder,
                                      capture_output=True, text=True)
                self.assertIn(done.returncode, (0, 1), done.stderr)
                # Names and values are all known; directories of another machine may be missing here.
                faults = [line for line in done.stdout.splitlines() if line.startswith("problem:")
                          and not re.match(r"problem: `(log\.(data|head)_dir|listen\.address)`", line)]
                self.assertEqual(faults, [], done.stdout)

    def test_compose_and_container_file_are_not_root_and_read_only(self):
        compose = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
        for name, service in compose["services"].items():
            if "build" not in service:
                continue  # The image of the database is somebody else's, and drops its rights by itself.
            self.assertTrue(service["read_only"], name)
            self.assertEqual(service["cap_drop"], ["ALL"], name)
            self.assertIn("no-new-privileges:true", service["security_opt"], name)
            for volume in service["volumes"]:
                source = volume.split(":")[0]
                if source.startswith("./"):
                    self.assertTrue((ROOT / source).is_file(), volume)
                else:
                    self.assertIn(source, compose["volumes"], volume)
        lines = [line for line in (DEPLOY / "Containerfile").read_text().replace("\\\n", " ").splitlines()
                 if line and not line.startswith("#")]
        stages = [n for n, line in enumerate(lines) if line.startswith("FROM ")]
        self.assertEqual(len(stages), 2, "the compiler stays behind")
        last = lines[stages[1]:]
        user, = [line for line in last if line.startswith("USER ")]
        self.assertRegex(user, r"^USER [1-9]\d+(:[1-9]\d+)?$")
        self.assertTrue(any(line.startswith("ENTRYPOINT [") for line in last))
        # The programs of the build are those that are copied, and all of them are built with the lock file.
        built = re.findall(r"-p (\w+)", " ".join(line for line in lines if "cargo build" in line))
        copied = re.findall(r"/release/(\w+)", " ".join(line for line in last if line.startswith("COPY")))
        self.assertEqual(sorted(built), sorted(copied))
        self.assertIn("--locked", " ".join(lines))


class Watching(unittest.TestCase):
    def test_alerts_are_right_and_fire_as_tested(self):
        needs("promtool")
        for words in (["check", "rules", "alerts.yml"], ["test", "rules", "alerts.test.yml"]):
            done = subprocess.run(["promtool", *words], cwd=DEPLOY, capture_output=True, text=True)
            self.assertEqual(done.returncode, 0, done.stdout + done.stderr)

    def test_every_alert_is_tested_and_has_its_line_in_the_run_book(self):
        groups = yaml.safe_load((DEPLOY / "alerts.yml").read_text())["groups"]
        alerts = {rule["alert"] for group in groups for rule in group["rules"]}
        tests = yaml.safe_load((DEPLOY / "alerts.test.yml").read_text())["tests"]
        tested = {case["alertname"] for test in tests for case in test["alert_rule_test"] if case["exp_alerts"]}
        self.assertEqual(alerts, tested)
        book = (DEPLOY / "OPERATIONS.md").read_text()
        table = book.split("## Alerts and what to do")[1].split("\n## ")[0]
        self.assertEqual(alerts, set(re.findall(r"\b[A-Z][a-z]+[A-Z]\w+", re.sub(r"(?m)^\| ([^|]*)\|.*$", r"\1", table)))
                         & alerts)
        self.assertEqual(alerts - set(re.findall(r"\w+", table)), set())


if __name__ == "__main__":
    unittest.main()
