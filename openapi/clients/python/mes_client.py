"""A MES client in one file: record, retry safely, send batches, follow the feed.

    PULVERLOG_TOKEN=... python3 mes_client.py http://127.0.0.1:8780

Prints one JSON object for each step. Standard library only.
"""

import json
import os
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
    main()
