"""A newcomer's hour: what deploy/INSTALL.md says is done as it stands, on two machines that are there for this
test only, and what it promises is looked at."""

import json
import os
import pathlib
import re
import shutil
import tempfile
import time
import unittest
import urllib.parse

import hosts

ROOT = hosts.ROOT
PROGRAMS = pathlib.Path(os.environ.get("PULVERLOG_TEST_PROGRAMS", ROOT / "target" / "release"))
BLOCK = re.compile(r"^```sh (records|witness)\n(.*?)^```$", re.M | re.S)
CA = "--cacert /etc/pulverlog/tls/ca.pem https://records.example.org:8780"


def blocks():
    """The blocks of the document in order: which machine, what is done, under which heading."""
    text = (ROOT / "deploy" / "INSTALL.md").read_text()
    heads = [(match.start(), match[1]) for match in re.finditer(r"^## (.*)$", text, re.M)]
    for match in BLOCK.finditer(text):
        yield match[1], match[2], [head for at, head in heads if at < match.start()][-1]


class NewcomersHour(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        if why := hosts.why_not():
            print(f"SKIPPED: a newcomer's hour needs machines of its own: {why}", flush=True)
            raise unittest.SkipTest(why)

    def test_the_document_as_it_stands(self):
        # On a disk, not in memory: a log refuses what a power cut would empty.
        folder = pathlib.Path(tempfile.mkdtemp(prefix="hour-", dir=ROOT / "target"))
        self.addCleanup(shutil.rmtree, folder, True)
        stick = folder / "stick"
        stick.mkdir()
        machines = {}
        for name, address in (("records", "10.77.0.1"), ("witness", "10.77.0.2")):
            machines[name] = hosts.Host(folder / name, name, address, stick, PROGRAMS)
            self.addCleanup(machines[name].end)
        hosts.cable(*machines.values())
        records, witness = machines.values()

        began, said = time.monotonic(), {}
        for host, script, head in blocks():
            said.setdefault(head, []).append(machines[host].run(script))
        took = time.monotonic() - began
        count = sum(len(each) for each in said.values())
        print(f"a newcomer's hour: {count} blocks of deploy/INSTALL.md in {took:.0f} s", flush=True)
        of = lambda number: next(each for head, each in said.items() if head.startswith(f"{number}."))

        # The service answers, and with the witness it says how far that is.
        self.assertEqual(json.loads(of(4)[0])["status"], "ready")
        self.assertIn("unwitnessed_entries", json.loads(of(7)[-1]))
        # The event has its receipt, and the same event again the same one.
        receipt = json.loads(of(6)[0])
        self.assertEqual(receipt["origin"], "records.example.org/site-a/2026")
        again = json.loads(records.run(
            "curl -sS --cacert /etc/pulverlog/tls/ca.pem -H \"Authorization: Bearer $(cat /mnt/mes-token)\" "
            "-H 'Content-Type: application/cloudevents+json' --data @/mnt/event.json "
            "https://records.example.org:8780/v1/events"))
        self.assertEqual([again[key] for key in ("seq", "leaf")], [receipt[key] for key in ("seq", "leaf")])
        # Both people can sign in, also after the restore, and with the right PIN only.
        for badge, pin, admitted in (("1001", "47kite-lamp", "303"), ("1002", "93reed-bolt", "303"),
                                     ("1002", "93reed-balt", "403")):
            form = urllib.parse.urlencode({"badge": badge, "pin": pin})
            status = records.run(f"curl -sS -o /dev/null -w '%{{http_code}}' -H 'Origin: https://records.example.org:8780' "
                                 f"--data '{form}' {CA}/sign-in")
            self.assertEqual(status, admitted, badge)
        # The backups are there, checked and practised with; the log lives on after the restore.
        self.assertRegex(of(8)[0], r"^\d{4}-\d\d-\d\dT\d{6}\.\d{3}Z\n")
        log = records.run("cat /run/units/pulverlog-drill.service.log")
        self.assertRegex(log, r"(?m)^sound")
        self.assertRegex(log, r"(?m)^drill: \d+ entries restored and read")
        entries = json.loads(of(9)[0].splitlines()[-1])["entries"]
        self.assertGreater(entries, receipt["seq"])
        # The auditor believes the keys of the stick, and the witness has cosigned.
        verdict = of(10)[-1]
        self.assertRegex(verdict, r"(?i)sound")
        self.assertRegex(verdict, r"witness\.example\.net/w1")
        # The service runs as its user, cannot gain rights, and sees a system it cannot write to.
        pid = records.run("cat /run/units/pulverlog.service.pid").strip()
        status = records.run(f"cat /proc/{pid}/status; id -u pulverlog")
        user = status.splitlines()[-1]
        self.assertRegex(status, rf"(?m)^Uid:\s+{user}\s+{user}\s")
        self.assertRegex(status, r"(?m)^CapBnd:\s+0+$")
        self.assertRegex(status, r"(?m)^NoNewPrivs:\s+1$")
        options = records.run(f"awk '$2 == \"/etc\" {{print $4}}' /proc/{pid}/mounts | tail -n 1")
        self.assertIn("ro", options.strip().split(","))
        # Nobody but its user reads the data.
        mode = records.run("stat -c '%a %U' /var/lib/pulverlog /var/lib/pulverlog/keys/log.key")
        self.assertEqual(mode.split("\n")[:2], ["700 pulverlog", "600 pulverlog"])
        # Every line of its log is JSON, and none has a name or a PIN.
        lines = records.run("grep -h '^{' /run/units/pulverlog.service.log").splitlines()
        self.assertGreater(len(lines), 3)
        for line in lines:
            json.loads(line)
        for secret in ("Orsel", "Hale", "kite-lamp", "reed-bolt", records.run("cat /mnt/mes-token").strip()):
            self.assertNotIn(secret, "".join(lines))
        records.run("systemctl stop pulverlog")
        witness.run("systemctl stop witness")
        self.assertIn("stopped", records.run("tail -n 1 /run/units/pulverlog.service.log"))


if __name__ == "__main__":
    unittest.main()
