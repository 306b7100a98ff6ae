"""A MES client in one file: record, retry safely, send batches, follow the feed, check webhooks.

    PULVERLOG_TOKEN=... python3 mes_client.py http://127.0.0.1:8780
    python3 mes_client.py http://127.0.0.1:8780 check-delivery mes.example.org < request

Prints one JSON object for each step. The second form checks a request that a webhook sent to the
host `mes.example.org`, byte for byte as it came, and ends with 1 if it is not to be believed.
Standard library only; to check signatures `cryptography` is needed.
"""

import base64
import hashlib
import json
import os
import re
import sys
import time
import urllib.error
import urllib.request
import uuid

EVENT = "application/cloudevents+json"
BATCH = "application/cloudevents-batch+json"
TRIES = 6


class Refused(Exception):
    """The service said no for good; `problem` is an RFC 9457 object with a pointer to the member."""

    def __init__(self, problem):
        super().__init__(f"{problem.get('pointer', '')} {problem['detail']}")
        self.problem = problem


class Client:
    def __init__(self, base, token):
        self.base, self.token = base.rstrip("/"), token

    def ask(self, path, body=None, media_type=None):
        """Answer as JSON. Waits and asks again while the service is away or busy."""
        request = urllib.request.Request(self.base + path, data=body)
        request.add_header("authorization", f"Bearer {self.token}")
        if media_type:
            request.add_header("content-type", media_type)
        for attempt in range(TRIES):
            try:
                with urllib.request.urlopen(request, timeout=60) as answer:
                    return json.load(answer)
            except urllib.error.HTTPError as error:
                with error:
                    problem = json.load(error)
                    wait_s = float(error.headers.get("retry-after", 2**attempt))
                if error.code not in (429, 503):
                    raise Refused(problem) from None
            except OSError:
                # No answer says nothing about whether it was recorded; the same bytes are safe.
                wait_s = 2**attempt
            time.sleep(wait_s)
        raise TimeoutError(f"no answer after {TRIES} tries: keep the event and try later")

    def record(self, event):
        """Records one event and returns its receipt. Safe to call again with the same event."""
        return self.ask("/v1/events", json.dumps(event).encode(), EVENT)

    def record_batch(self, events):
        """Records what can be recorded; the result tells of each event, in order."""
        return self.ask("/v1/events", json.dumps(events).encode(), BATCH)

    def follow(self, after=None):
        """Entries in order, for ever, without gap or double. Keep the last `seq` to go on from it."""
        while True:
            query = "" if after is None else f"&after={after}"
            page = self.ask(f"/v1/feed?wait_s=20{query}")
            yield from page["items"]
            after = page["next_after"]


class Untrusted(Exception):
    """A delivery that is not by the service, or not as the service sent it."""


def fetch_keys(base):
    """Public keys of the service. Over TLS, and kept: asked again only for an unknown `keyid`."""
    with urllib.request.urlopen(base.rstrip("/") + "/.well-known/jwks.json", timeout=60) as answer:
        return {key["kid"]: key for key in json.load(answer)["keys"]}


def check_delivery(host, target, headers, body, keys, now):
    """The delivery as JSON, checked as the description says (RFC 9421, RFC 9530).

    `host`, with its port unless it is 443, is the receiver's own, not one that a proxy wrote; `target` is
    path and query, `headers` has lower-case names, `now` is in seconds since 1970.
    """
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    digest = base64.b64encode(hashlib.sha256(body).digest()).decode()
    if headers.get("content-digest") != f"sha-256=:{digest}:":
        raise Untrusted("the body is not the one that was sent")
    form = re.fullmatch(r'pulverlog=(\(("[a-z@-]+"( "[a-z@-]+")*)\)(;.*))', headers.get("signature-input", ""))
    if not form:
        raise Untrusted("it is not signed")
    path, mark, query = target.partition("?")
    values = {"@method": "POST", "@authority": host, "@path": path, "@query": "?" + query}
    names = form[2].replace('"', "").split(" ")
    if not {*values, "content-type", "content-digest"} <= {*names}:
        raise Untrusted("not everything is signed")
    parameters = dict(re.findall(r';([a-z]+)="?([^";]*)"?', form[4]))
    if (parameters.get("tag"), parameters.get("alg")) != ("pulverlog-webhook", "ed25519"):
        raise Untrusted("it is signed for something else")
    if abs(now - int(parameters["created"])) > 300:
        raise Untrusted("it is too old, or one of the clocks is wrong")
    if parameters["keyid"] not in keys:
        raise Untrusted("the key is unknown: fetch the keys again, at most once a minute")
    lines = [f'"{name}": {values.get(name) or headers[name]}' for name in names]
    signed = "\n".join([*lines, f'"@signature-params": {form[1]}']).encode()
    signature = re.fullmatch(r"pulverlog=:([A-Za-z0-9+/=]+):", headers.get("signature", ""))
    x = keys[parameters["keyid"]]["x"]
    key = Ed25519PublicKey.from_public_bytes(base64.urlsafe_b64decode(x + "="))
    try:
        key.verify(base64.b64decode(signature[1] if signature else ""), signed)
    except InvalidSignature:
        raise Untrusted("the signature does not fit") from None
    return json.loads(body)


def read_request(raw):
    """Target, headers and body of a request as it came."""
    head, body = raw.split(b"\r\n\r\n", 1)
    first, *lines = head.decode("ascii").split("\r\n")
    headers = dict(line.split(": ", 1) for line in lines)
    return first.split(" ")[1], {name.lower(): value for name, value in headers.items()}, body


def reading(hours):
    """A meter reading as an event of the catalogue."""
    return {
        "specversion": "1.0",
        "id": str(uuid.uuid4()),
        "source": "/mes/line-1",
        "type": "pulverlog.meter.read",
        "subject": "equipment/S-02",
        "site": "north",
        "time": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
        "operator": "op_k7m2q9xd",
        "data": {"meter": "sift", "reading": {"value": hours, "unit": "h"}},
    }


def check():
    base, host = sys.argv[1], sys.argv[3]
    target, headers, body = read_request(sys.stdin.buffer.read())
    try:
        delivery = check_delivery(host, target, headers, body, fetch_keys(base), time.time())
    except Untrusted as error:
        sys.exit(str(error))
    # What was received before has the same two.
    print(json.dumps({"log": delivery["log"], "seq": delivery["seq"]}))


def main():
    client = Client(sys.argv[1], os.environ["PULVERLOG_TOKEN"])

    event = reading("12.0")
    receipt = client.record(event)
    again = client.record(event)
    print(json.dumps({"recorded": receipt["seq"], "again": again["seq"]}))

    wrong = reading("twelve")
    result = client.record_batch([reading("12.5"), wrong, reading("13.0")])
    refused = [r for r in result["results"] if "problem" in r]
    print(json.dumps({"recorded": result["recorded"], "pointer": refused[0]["problem"]["pointer"]}))

    wanted = {r["receipt"]["seq"] for r in result["results"] if "receipt" in r} | {receipt["seq"]}
    seen = []
    for item in client.follow(after=receipt["seq"] - 1):
        seen.append(item["seq"])
        wanted.discard(item["seq"])
        if not wanted:
            break
    print(json.dumps({"followed": seen}))


if __name__ == "__main__":
    check() if sys.argv[2:3] == ["check-delivery"] else main()
