"""The API description against the service that was built: schemathesis makes up requests from the
description and holds every answer against it. No server error, no status, media type, header or body
that is not described; every operation but the endless stream is asked.

PULVERLOG_RECORDER names the program; the description is read from openapi/.
"""

import os
import pathlib
import re
import signal
import subprocess
import sys
import tempfile
import unittest

ROOT = pathlib.Path(__file__).resolve().parents[2]
DESCRIPTION = ROOT / "openapi" / "pulverlog-v1.json"
RECORDER = os.environ.get("PULVERLOG_RECORDER", str(ROOT / "target" / "release" / "recorder"))
ROLES = ["technician", "lead", "quality", "ehs", "auditor", "service", "admin"]
CHECKS = ("not_a_server_error,status_code_conformance,content_type_conformance,"
          "response_schema_conformance,response_headers_conformance")
CONFIG = """
[log]
data_dir = "{dir}/data"
origin = "records.brackwater.example/contract"
allow_tmpfs = true
[listen]
address = "127.0.0.1:0"
[auth]
local_issuer = true
[limits]
requests_per_s = 100000
requests_burst = 100000
failed_sign_ins_per_minute = 100000
"""


class Contract(unittest.TestCase):
    def setUp(self):
        folder = tempfile.TemporaryDirectory(prefix="pulverlog-contract-")
        self.addCleanup(folder.cleanup)
        config = pathlib.Path(folder.name, "pulverlog.toml")
        config.write_text(CONFIG.format(dir=folder.name))
        self.command = [RECORDER, "--config", str(config)]
        self.service = subprocess.Popen(
            [*self.command, "serve", "--create"], stderr=subprocess.PIPE, text=True)
        self.addCleanup(self.service.stderr.close)
        self.addCleanup(self.service.wait, 30)
        self.addCleanup(self.service.send_signal, signal.SIGTERM)
        said = ""
        for line in self.service.stderr:
            said += line
            if found := re.search(r"address=(\S+:\d+)", re.sub(r"\x1b\[[0-9;]*m", "", line)):
                self.base = f"http://{found[1]}"
                break
        else:
            self.fail(f"the recorder did not start:\n{said}")
        words = [word for role in ROLES for word in ("--role", role)]
        self.token = subprocess.run(
            [*self.command, "token", "--subject", "svc_contract", *words],
            check=True, capture_output=True, text=True).stdout.strip()

    def ask(self, *options):
        schemathesis = str(pathlib.Path(sys.executable).with_name("schemathesis"))
        run = subprocess.run(
            [schemathesis, "run", str(DESCRIPTION), "--url", self.base,
             "-H", f"Authorization: Bearer {self.token}", "--checks", CHECKS,
             "--seed", "1", "--request-timeout", "30", "--no-color", *options],
            capture_output=True, text=True)
        summary = re.search(r"Test cases:\n\s*(.*)", run.stdout)
        operations = re.search(r"Tested: (\d+)", run.stdout)
        print(f"\n{operations and operations[1]} operations, {summary and summary[1]}")
        self.assertEqual(run.returncode, 0, run.stdout + run.stderr)
        return int(operations[1])

    def test_the_service_keeps_to_its_description(self):
        # Sending has a schema of its own for each of the events: bounded, and asked apart.
        asked = self.ask("--phases", "examples,coverage,fuzzing", "--max-examples", "10",
                         "--exclude-path", "/v1/feed/stream", "--exclude-path", "/v1/events")
        asked += self.ask("--phases", "examples,fuzzing", "--max-examples", "60",
                          "--include-path", "/v1/events")
        described = DESCRIPTION.read_text().count('"operationId"')
        self.assertEqual(asked, described - 1)


if __name__ == "__main__":
    unittest.main()
