"""The API description against the service that was built: schemathesis makes up requests from the
description and holds every answer against it. No server error, no status, media type, header or body
that is not described; every operation but the endless stream is asked.

PULVERLOG_RECORDER names the program; the description is read from openapi/.
"""

import pathlib
import re
import subprocess
import sys
import unittest

from service import ROOT, WithService

DESCRIPTION = ROOT / "openapi" / "pulverlog-v1.json"
ROLES = ["technician", "lead", "quality", "ehs", "auditor", "service", "admin"]
CHECKS = ("not_a_server_error,status_code_conformance,content_type_conformance,"
          "response_schema_conformance,response_headers_conformance")


class Contract(WithService):
    def ask(self, *options):
        schemathesis = str(pathlib.Path(sys.executable).with_name("schemathesis"))
        run = subprocess.run(
            [schemathesis, "run", str(DESCRIPTION), "--url", self.base,
             "-H", f"Authorization: Bearer {self.token('svc_contract', *ROLES)}",
             "--checks", CHECKS, "--seed", "1", "--request-timeout", "30", "--no-color", *options],
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
