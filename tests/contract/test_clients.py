"""The example clients, each against a recorder of its own: what they promise is what they do.

PULVERLOG_RUST_CLIENT names the built Rust example; TypeScript is compiled with the pinned compiler.
"""

import json
import os
import subprocess
import unittest

from service import ROOT, WithService

CLIENTS = ROOT / "openapi" / "clients"
RUST = os.environ.get("PULVERLOG_RUST_CLIENT", str(ROOT / "target" / "debug" / "examples" / "mes_client"))


class Clients(WithService):
    def told(self, *command):
        run = subprocess.run(
            [*command, self.base], capture_output=True, text=True, timeout=120,
            env={**os.environ, "PULVERLOG_TOKEN": self.token("svc_mes", "service")})
        self.assertEqual(run.returncode, 0, run.stderr)
        return [json.loads(line) for line in run.stdout.splitlines()]

    def hold(self, *command):
        once, batch, feed = self.told(*command)
        # The log's opening is entry 0; an event sent twice is one entry.
        self.assertEqual(once, {"recorded": 1, "again": 1})
        self.assertEqual(batch, {"recorded": 2, "pointer": "/data/reading/value"})
        self.assertEqual(feed, {"followed": [1, 2, 3]})

    def test_python(self):
        self.hold("python3", str(CLIENTS / "python" / "mes_client.py"))

    def test_typescript(self):
        folder = CLIENTS / "typescript"
        subprocess.run(["npx", "tsc"], cwd=folder, check=True)
        self.hold("node", str(folder / "out" / "mes_client.js"))

    def test_rust(self):
        self.hold(RUST)


if __name__ == "__main__":
    unittest.main()
