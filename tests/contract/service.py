"""A recorder of its own for each test, as somebody starts it who tries it out."""

import os
import pathlib
import re
import signal
import subprocess
import tempfile
import threading
import unittest

ROOT = pathlib.Path(__file__).resolve().parents[2]
RECORDER = os.environ.get("PULVERLOG_RECORDER", str(ROOT / "target" / "release" / "recorder"))
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


class WithService(unittest.TestCase):
    """`self.base` is the address of a recorder with an empty log."""

    #: What a test adds to the configuration.
    more = ""

    def setUp(self):
        folder = tempfile.TemporaryDirectory(prefix="pulverlog-contract-")
        self.addCleanup(folder.cleanup)
        config = pathlib.Path(folder.name, "pulverlog.toml")
        config.write_text(CONFIG.format(dir=folder.name) + self.more)
        self.command = [RECORDER, "--config", str(config)]
        self.service = subprocess.Popen(
            [*self.command, "serve", "--create"], stderr=subprocess.PIPE, text=True)
        self.addCleanup(self.service.stderr.close)
        #: What the program log said. Read to its end, so that the recorder never blocks on the pipe.
        self.said = []
        reader = threading.Thread(target=self.listen)
        self.addCleanup(lambda: reader.ident and reader.join())
        self.addCleanup(self.service.wait, 30)
        self.addCleanup(self.service.send_signal, signal.SIGTERM)
        for line in self.service.stderr:
            self.said.append(line)
            if found := re.search(r'address(?:=|":")(\S+?:\d+)', re.sub(r"\x1b\[[0-9;]*m", "", line)):
                self.base = f"http://{found[1]}"
                reader.start()
                return
        self.fail("the recorder did not start:\n" + "".join(self.said))

    def listen(self):
        for line in self.service.stderr:
            self.said.append(line)

    def token(self, subject, *roles):
        words = [word for role in roles for word in ("--role", role)]
        return subprocess.run(
            [*self.command, "token", "--subject", subject, *words],
            check=True, capture_output=True, text=True).stdout.strip()
