"""A webhook as it leaves the program as shipped, checked by each of the example clients: what was sent
is believed, and what was changed on the way is not.
"""

import http.server
import json
import queue
import subprocess
import sys
import threading
import time

from service import ROOT, WithService
from test_clients import CLIENTS, RUST

HOOKS = """
[webhooks]
allow = ["127.0.0.1"]
[[webhooks.subscriptions]]
name = "mes"
url = "http://127.0.0.1:{port}/hooks?line=1"
types = ["meter.read"]
"""


class Receiver(http.server.BaseHTTPRequestHandler):
    came = queue.Queue()

    def do_POST(self):
        lines = [self.requestline, *(f"{name}: {value}" for name, value in self.headers.items())]
        head = "\r\n".join([*lines, "", ""]).encode()
        body = self.rfile.read(int(self.headers["content-length"]))
        self.came.put(head + body)
        self.send_response(204)
        self.end_headers()

    def log_message(self, *_):
        pass


class Webhooks(WithService):
    def setUp(self):
        receiver = http.server.HTTPServer(("127.0.0.1", 0), Receiver)
        thread = threading.Thread(target=receiver.serve_forever)
        thread.start()
        self.addCleanup(receiver.server_close)
        self.addCleanup(thread.join)
        self.addCleanup(receiver.shutdown)
        self.host = f"127.0.0.1:{receiver.server_port}"
        self.more = HOOKS.format(port=receiver.server_port)
        super().setUp()
        # The programs are made and asked for a token before the request, whose age counts.
        subprocess.run(["npx", "tsc"], cwd=CLIENTS / "typescript", check=True)
        event = {
            "specversion": "1.0", "id": "hooked", "source": "/mes/line-1",
            "type": "pulverlog.meter.read", "subject": "equipment/S-02", "site": "north",
            "time": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()), "operator": "op_k7m2q9xd",
            "data": {"meter": "sift", "reading": {"value": "12.0", "unit": "h"}}}
        self.post(event)
        self.request = Receiver.came.get(timeout=60)

    def post(self, event):
        from urllib.request import Request, urlopen
        request = Request(self.base + "/v1/events", json.dumps(event).encode(), {
            "authorization": f"Bearer {self.token('svc_mes', 'service')}",
            "content-type": "application/cloudevents+json"})
        with urlopen(request, timeout=60) as answer:
            self.assertEqual(answer.status, 201)

    def checked(self, client, request, host=None):
        return subprocess.run(
            [*client, self.base, "check-delivery", host or self.host],
            input=request, capture_output=True, timeout=60)

    def hold(self, *client):
        run = self.checked(client, self.request)
        self.assertEqual(run.returncode, 0, run.stderr)
        told = {"log": "records.brackwater.example/contract", "seq": 1}
        self.assertEqual(json.loads(run.stdout), told)
        for name, request, host, words in [
                ("body", self.request.replace(b'"12.0"', b'"21.0"'), None, b"not the one that was sent"),
                ("path", self.request.replace(b"/hooks?", b"/other?", 1), None, b"does not fit"),
                ("query", self.request.replace(b"line=1", b"line=2", 1), None, b"does not fit"),
                ("time", self.request.replace(b"created=1", b"created=2", 1), None, b"too old"),
                ("nonce", self.request.replace(b'nonce="', b'nonce="x', 1), None, b"does not fit"),
                ("key", self.request.replace(b'keyid="', b'keyid="x', 1), None, b"key is unknown"),
                ("less is signed", self.request.replace(b'"@path" ', b"", 1), None, b"not everything"),
                ("host", self.request, "other.example", b"does not fit")]:
            with self.subTest(name):
                self.assertTrue(host or request != self.request)
                run = self.checked(client, request, host)
                self.assertEqual(run.returncode, 1)
                self.assertIn(words, run.stderr)

    def test_all_clients_believe_what_was_sent_and_nothing_else(self):
        self.hold(sys.executable, str(CLIENTS / "python" / "mes_client.py"))
        self.hold("node", str(CLIENTS / "typescript" / "out" / "mes_client.js"))
        self.hold(RUST)
