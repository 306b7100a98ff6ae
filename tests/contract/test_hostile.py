"""Clients that mean harm, against the program as shipped: connections that only sit there, bodies
that trickle, bodies that are too large, too deep or unpack without end. Memory stays bounded, a good
client is served all the while, and the figures are printed.

The limits are those of the description (413, 400, 408); how many connections the system allows this
test is asked of the system.
"""

import gzip
import http.client
import json
import resource
import socket
import threading
import time
import unittest
import urllib.parse

from service import WithService

IDLE = 1_500
SLOW = 150
#: What the whole attack may add to the resident memory. A connection costs buffers, not bodies.
RSS_MAX_MIB = 192


def event(number):
    return json.dumps({
        "specversion": "1.0", "id": f"good-{number}", "source": "/mes/line-1",
        "type": "pulverlog.meter.read", "subject": "equipment/S-02", "site": "north",
        "time": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()), "operator": "op_k7m2q9xd",
        "data": {"meter": "sift", "reading": {"value": str(number), "unit": "h"}}}).encode()


class Hostile(WithService):
    def setUp(self):
        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, 8_192), hard))
        self.addCleanup(resource.setrlimit, resource.RLIMIT_NOFILE, (soft, hard))
        super().setUp()
        address = urllib.parse.urlsplit(self.base)
        self.address = (address.hostname, address.port)
        self.bearer = self.token("svc_mes", "service")

    def rss_mib(self):
        with open(f"/proc/{self.service.pid}/status") as status:
            line = next(line for line in status if line.startswith("VmRSS"))
        return int(line.split()[1]) / 1024

    def post(self, body, headers=()):
        connection = http.client.HTTPConnection(*self.address, timeout=60)
        try:
            connection.request("POST", "/v1/events", body, {
                "authorization": f"Bearer {self.bearer}",
                "content-type": "application/cloudevents+json", **dict(headers)})
            return connection.getresponse().status
        finally:
            connection.close()

    def test_a_good_client_is_served_while_others_flood(self):
        self.assertEqual(self.post(event(0)), 201)
        before = self.rss_mib()
        held = []
        self.addCleanup(lambda: [one.close() for one in held])
        for _ in range(IDLE):
            held.append(socket.create_connection(self.address))
        head = ("POST /v1/events HTTP/1.1\r\nhost: x\r\ncontent-length: 60000\r\n"
                "content-type: application/cloudevents+json\r\n"
                f"authorization: Bearer {self.bearer}\r\n\r\n{{").encode()
        slow = []
        for _ in range(SLOW):
            one = socket.create_connection(self.address)
            one.sendall(head)
            held.append(one)
            slow.append(one)
        stop = threading.Event()

        def trickle():
            while not stop.wait(1):
                for one in slow:
                    try:
                        one.send(b" ")
                    except OSError:
                        pass  # refused by now, which is what is wanted

        thread = threading.Thread(target=trickle)
        thread.start()
        self.addCleanup(thread.join)
        self.addCleanup(stop.set)
        waits = []
        for number in range(1, 101):
            began = time.monotonic()
            self.assertEqual(self.post(event(number)), 201)
            waits.append(time.monotonic() - began)
        grown = self.rss_mib() - before
        # The trickling bodies are given up within the stated time, each with an answer of its own.
        slow[0].settimeout(60)
        answer = slow[0].recv(4_096)
        self.assertIn(b" 408 ", answer.split(b"\r\n", 1)[0])
        waits.sort()
        print(f"\n{IDLE} idle and {SLOW} trickling connections: 100 of 100 events recorded, answer "
              f"median {waits[50] * 1000:.0f} ms, slowest {waits[-1] * 1000:.0f} ms, memory "
              f"+{grown:.0f} MiB")
        self.assertLess(grown, RSS_MAX_MIB)

    def test_bodies_that_are_too_much_cost_little(self):
        self.assertEqual(self.post(event(0)), 201)
        before = self.rss_mib()
        bomb = gzip.compress(b"[" + b" " * (256 << 20) + b"]", 9)
        deep = b"[" * 100_000
        large = b"[" + b" " * (8 << 20) + b"]"
        counts = {}
        for name, body, headers, wanted in [
                ("gzip bomb", bomb, [("content-encoding", "gzip")], {413}),
                ("too deep", deep, [], {400, 413}),
                ("too large", large, [], {413})]:
            for _ in range(40):
                try:
                    status = self.post(body, headers)
                except (BrokenPipeError, ConnectionResetError):
                    # Refused before it was sent whole: the answer may be lost with the connection.
                    status = 413
                self.assertIn(status, wanted, name)
                counts[name] = counts.get(name, 0) + 1
        grown = self.rss_mib() - before
        self.assertEqual(self.post(event(1)), 201)
        print(f"\n{counts}: a bomb of {len(bomb) >> 10} KiB unpacks to 256 MiB, memory +{grown:.0f} MiB")
        self.assertLess(grown, RSS_MAX_MIB)


if __name__ == "__main__":
    unittest.main()
