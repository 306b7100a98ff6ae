"""A recorder as an operator sees it: metrics that dashboards and alerts name, traces at a collector, a log that
keeps secrets, conditions, and a stop under load."""

import concurrent.futures
import datetime
import gzip
import http.server
import json
import os
import pathlib
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
import unittest
import urllib.error
import urllib.request

import yaml
from opentelemetry.proto.collector.trace.v1.trace_service_pb2 import ExportTraceServiceRequest

ROOT = pathlib.Path(__file__).resolve().parents[2]
os.environ.setdefault("PULVERLOG_RECORDER", str(pathlib.Path(
    os.environ.get("PULVERLOG_TEST_PROGRAMS", ROOT / "target" / "release"), "recorder")))
sys.path.insert(0, str(ROOT / "tests" / "contract"))
from service import WithService as Contract  # noqa: E402

PROMETHEUS = re.compile(r"\b((?:pulverlog|process)_[a-z_]+)\b")
NOW = datetime.datetime.now(datetime.timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")


def event(id, **more):
    return {"specversion": "1.0", "id": id, "source": "/mes/test", "type": "pulverlog.cleaning.done",
            "subject": "equipment/S-02", "site": "north", "time": NOW, "operator": "op_k7",
            "data": {"target": "sieve", "method": "vacuum"}, **more}


class WithService(Contract):
    def ask(self, method, path, token=None, body=None, headers=(), base=None):
        headers = {"content-type": "application/json", **dict(headers)}
        if token:
            headers["authorization"] = f"Bearer {token}"
        data = body if body is None or isinstance(body, bytes) else json.dumps(body).encode()
        request = urllib.request.Request((base or self.base) + path, method=method, data=data, headers=headers)
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                return answer.status, answer.read()
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.read()

    def post(self, token, event, headers=()):
        headers = {"content-type": "application/cloudevents+json", **dict(headers)}
        status, body = self.ask("POST", "/v1/events", token, event, headers)
        return status, json.loads(body)

    def stop(self):
        self.service.send_signal(signal.SIGTERM)
        self.assertEqual(self.service.wait(60), 0)

    def start_again(self, *words, **env):
        """Starts the recorder anew; returns what it said until it listened."""
        self.service = service = subprocess.Popen([*self.command, "serve", *words], stderr=subprocess.PIPE, text=True,
                                                  env={**os.environ, **env})

        def end():
            service.terminate()
            service.wait(60)
            service.stderr.close()
        self.addCleanup(end)
        said = []
        for line in service.stderr:
            said.append(line)
            if found := re.search(r"address=(\S+:\d+)", re.sub(r"\x1b\[[0-9;]*m", "", line)):
                self.base = f"http://{found[1]}"
                return said
        self.fail("the recorder did not start:\n" + "".join(said))

    def metrics(self, token):
        status, text = self.ask("GET", "/metrics", token)
        self.assertEqual(status, 200, text)
        series = {}
        for line in text.decode().splitlines():
            if line and not line.startswith("#"):
                name, value = line.rsplit(" ", 1)
                series[name] = float(value)
        return text.decode(), series

    def wait_for(self, what, seconds=60):
        end = time.monotonic() + seconds
        while not (found := what()):
            self.assertLess(time.monotonic(), end, "it did not come")
            time.sleep(0.05)
        return found


class Metrics(WithService):
    def test_what_dashboards_and_alerts_name_exists_and_moves(self):
        token = self.token("svc_watch", "service")
        for number in range(3):
            self.assertEqual(self.post(token, event(f"m{number}"))[0], 201)
        self.ask("GET", "/v1/entries/999999", token)
        self.ask("GET", "/v1/entries/0", "no.good.token")
        text, series = self.metrics(token)
        known = set(re.findall(r"(?m)^# TYPE (\S+)", text))
        histograms = {f"{name}_{part}" for name in re.findall(r"(?m)^# TYPE (\S+) histogram", text)
                      for part in ("bucket", "sum", "count")}
        # Families that appear with what they count; the recorder's own tests make these.
        source = (ROOT / "services/recorder/src/metrics.rs").read_text()
        relay = (ROOT / "services/relay/src/metrics.rs").read_text()
        declared = set(re.findall(r'"((?:pulverlog|process)_[a-z_]+)"', source + relay))
        named = set()
        for rule in (r for g in yaml.safe_load((ROOT / "deploy/alerts.yml").read_text())["groups"] for r in g["rules"]):
            named |= set(PROMETHEUS.findall(rule["expr"]))
        for panel in json.loads((ROOT / "deploy/dashboard.json").read_text())["panels"]:
            for target in panel.get("targets", []):
                named |= set(PROMETHEUS.findall(target["expr"]))
        missing = {name for name in named if name not in known | histograms
                   and re.sub(r"_(bucket|sum|count)$", "", name) not in declared}
        self.assertEqual(missing, set())
        self.assertTrue(known <= declared, known - declared)
        # What must be there from the first minute, whatever happens.
        for name in ("pulverlog_queue_submissions", "pulverlog_commit_seconds_count", "pulverlog_queue_seconds_count",
                     "pulverlog_commit_entries_sum", "pulverlog_commit_failures_total", "pulverlog_writing",
                     "pulverlog_segments", 'pulverlog_disk_free_bytes{place="data"}', 'pulverlog_data_bytes{part="entries"}',
                     "pulverlog_checkpoint_entries", "pulverlog_unpublished_seconds", "pulverlog_index_behind_entries",
                     'pulverlog_key_age_seconds{key="log"}', "process_resident_memory_bytes", "process_open_fds",
                     "process_start_time_seconds", 'pulverlog_condition{condition="disk-full"}'):
            self.assertIn(name, series)
        self.assertEqual(series["pulverlog_writing"], 1)
        self.assertGreaterEqual(series["pulverlog_commit_seconds_count"], 3)
        self.assertGreaterEqual(series["pulverlog_commit_entries_sum"], 3)
        self.assertGreater(series["process_resident_memory_bytes"], 1 << 20)
        self.assertGreaterEqual(series["pulverlog_segments"], 1)
        build, = [name for name in series if name.startswith("pulverlog_build_info")]
        self.assertIn('log="records.brackwater.example/contract"', build)


class Collector(http.server.BaseHTTPRequestHandler):
    """Takes OTLP as protobuf over HTTP and keeps the spans."""

    def do_POST(self):
        body = self.rfile.read(int(self.headers["content-length"]))
        if self.headers.get("content-encoding") == "gzip":
            body = gzip.decompress(body)
        request = ExportTraceServiceRequest.FromString(body)
        for resource in request.resource_spans:
            about = {each.key: each.value.string_value for each in resource.resource.attributes}
            for scope in resource.scope_spans:
                self.server.spans += [(about, span) for span in scope.spans]
        self.server.asked.append((self.path, self.headers["content-type"]))
        self.send_response(200)
        self.send_header("content-type", "application/x-protobuf")
        self.send_header("content-length", "0")
        self.end_headers()

    def log_message(self, *_):
        pass


class Traces(WithService):
    def setUp(self):
        self.collector = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Collector)
        self.collector.spans, self.collector.asked = [], []
        threading.Thread(target=self.collector.serve_forever, daemon=True).start()
        self.addCleanup(self.collector.server_close)
        self.addCleanup(self.collector.shutdown)
        self.more = (f'[traces]\nendpoint = "http://127.0.0.1:{self.collector.server_port}/v1/traces"\n'
                     '[logs]\nformat = "json"\n[logs.levels]\n"recorder::http" = "debug"\n')
        super().setUp()

    def test_a_request_is_told_step_by_step_and_continues_the_clients_trace(self):
        trace, parent = "4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7"
        token = self.token("svc_mes", "service")
        self.assertEqual(self.post(token, event("t1"), {"traceparent": f"00-{trace}-{parent}-01"})[0], 201)
        # What the client does not want traced is not; what has no context of its own begins a trace.
        silent = "11111111111111111111111111111111"
        self.assertEqual(self.post(token, event("t2"), {"traceparent": f"00-{silent}-{parent}-00"})[0], 201)
        self.assertEqual(self.ask("GET", "/v1/entries/0", token)[0], 200)

        ours = lambda: [(about, s) for about, s in self.collector.spans if s.trace_id.hex() == trace]
        self.wait_for(lambda: len(ours()) >= 6)
        self.wait_for(lambda: any(s.name == "readEntry" for _, s in self.collector.spans))
        spans = {span.name: span for _, span in ours()}
        self.assertEqual(set(spans), {"recordEvents", "authn", "read", "queue", "commit", "apply"})
        root = spans.pop("recordEvents")
        self.assertEqual(root.parent_span_id.hex(), parent)
        self.assertEqual(root.kind, 2, "SPAN_KIND_SERVER")
        for name, span in spans.items():
            self.assertEqual(span.parent_span_id, root.span_id, name)
            self.assertLessEqual(root.start_time_unix_nano, span.start_time_unix_nano, name)
            self.assertLessEqual(span.start_time_unix_nano, span.end_time_unix_nano, name)
        order = [spans[name].start_time_unix_nano for name in ("authn", "read", "queue", "commit", "apply")]
        self.assertEqual(order, sorted(order))
        self.assertFalse([s for _, s in self.collector.spans if s.trace_id.hex() == silent])
        about = self.collector.spans[0][0]
        self.assertEqual((about["service.name"], about["pulverlog.log"]),
                         ("pulverlog-recorder", "records.brackwater.example/contract"))
        self.assertEqual(set(self.collector.asked), {("/v1/traces", "application/x-protobuf")})
        # Spans know operations, never people or what was said.
        told = str(self.collector.spans)
        for secret in ("svc_mes", "op_k7", "S-02", token):
            self.assertNotIn(secret, told)
        # The lines of that request carry its trace and its id.
        lines = [json.loads(line) for line in list(self.said) if line.startswith("{")]
        line, = [each for each in lines if each.get("message") == "answered"
                 and each.get("span", {}).get("trace") == trace]
        self.assertTrue(line["span"]["id"].startswith("urn:pulverlog:request:"), line)
        self.assertEqual(line["span"]["operation"], "recordEvents")

    def test_a_collector_that_is_away_disturbs_nobody(self):
        self.collector.shutdown()
        self.collector.server_close()
        token = self.token("svc_mes", "service")
        for number in range(5):
            self.assertEqual(self.post(token, event(f"a{number}"))[0], 201)
        self.stop()


class Secrets(WithService):
    more = '[logs]\nlevel = "trace"\nformat = "json"\n'

    def test_no_subject_name_token_pin_or_text_is_ever_logged(self):
        """Everything a client can say is said once, at the most talkative level."""
        admin, mes = self.token("op_zzadmin", "admin"), self.token("svc_zzmes", "service")
        lead = self.token("op_zzlead", "lead")
        secrets = {
            "name": "Zyrvandrim Quellhorst", "text": "zz-told-in-confidence", "pin": "zz84kite", "badge": "zz-badge-77",
            "subject": "S-ZZ93", "operator": "op_zzhale", "id": "zz-id-4471", "source": "/zz/line", "remark": "zz-remark",
            "admin token": admin.split(".")[2], "mes token": mes.split(".")[2], "bad token": "zzbad.zztoken.zzsig",
            "query": "zz-query", "method": "zz-no-method",
        }
        status, _ = self.ask("PUT", f"/v1/people/{secrets['operator']}/identity", admin, {"name": secrets["name"]})
        self.assertEqual(status, 200)
        self.assertEqual(self.ask("POST", "/v1/texts", lead, {"text": secrets["text"]})[0], 201)
        done = subprocess.run([*self.command, "badge", "--person", secrets["operator"], "--role", "technician"],
                              input=f"{secrets['badge']}\n{secrets['pin']}\n", capture_output=True, text=True)
        self.assertEqual(done.returncode, 0, done.stderr)
        good = event(secrets["id"], source=secrets["source"], subject=f"equipment/{secrets['subject']}",
                     operator=secrets["operator"])
        self.assertEqual(self.post(mes, good)[0], 201)
        self.assertEqual(self.post(mes, good)[0], 200)
        self.assertEqual(self.post(mes, {**good, "data": {"target": "sieve", "method": secrets["method"]}})[0], 422)
        self.assertEqual(self.post(mes, {**good, "id": "z2", "comment": secrets["remark"]})[0], 422)
        self.post(mes, {**good, "id": "z3"}, {"prefer": "handling=strict"})
        self.assertEqual(self.post(secrets["bad token"], good)[0], 401)
        self.assertEqual(self.ask("POST", "/v1/events", mes, f'{{"a":"{secrets["remark"]}'.encode(),
                                  {"content-type": "application/cloudevents+json"})[0], 400)
        self.ask("GET", f"/v1/entries/0?x={secrets['query']}", mes)
        self.ask("GET", f"/v1/equipment/{secrets['subject']}", admin)
        for pin in (secrets["pin"] + "9", secrets["pin"]):
            form = f"badge={secrets['badge']}&pin={pin}".encode()
            self.ask("POST", "/sign-in", None, form,
                     {"content-type": "application/x-www-form-urlencoded", "origin": self.base})
        self.stop()
        self.wait_for(lambda: any('"stopped"' in line for line in list(self.said)))
        self.assertGreater(len(self.said), 20)
        for what, secret in secrets.items():
            told = [line for line in self.said if secret in line]
            if what == "operator":
                # The security record names pseudonyms: a line about a sign-in without it would be of no use.
                told = [line for line in told
                        if not re.search('"message":"(somebody signed in|an identity is kept)"', line)]
            self.assertEqual(told, [], what)


class Stop(WithService):
    def test_what_was_under_way_is_answered_and_the_log_is_closed_in_good_order(self):
        token = self.token("svc_mes", "service")
        acknowledged, stopped = [], threading.Event()

        def client(name):
            number = 0
            while True:
                number += 1
                try:
                    status, body = self.post(token, event(f"{name}-{number}"))
                except (urllib.error.URLError, ConnectionError, TimeoutError):
                    # Refused or closed before it was sent: only allowed after the stop was asked for.
                    return stopped.is_set()
                if status == 503:
                    return stopped.is_set()
                self.assertEqual(status, 201, body)
                acknowledged.append((f"{name}-{number}", body["seq"]))

        with concurrent.futures.ThreadPoolExecutor(8) as pool:
            clients = [pool.submit(client, f"c{number}") for number in range(8)]
            self.wait_for(lambda: len(acknowledged) >= 200)
            stopped.set()
            self.service.send_signal(signal.SIGTERM)
            self.assertTrue(all(each.result(120) for each in clients))
        self.assertEqual(self.service.wait(60), 0)
        self.wait_for(lambda: any("stopped" in line for line in list(self.said)))
        said = "".join(self.said)
        self.assertIn("stopping: running requests are finished first", said)
        self.assertNotIn("not closed in good order", said)
        # The last checkpoint covers everything, and everything acknowledged is there.
        done = subprocess.run([*self.command, "check"], capture_output=True, text=True)
        self.assertEqual(done.returncode, 0, done.stdout)
        entries = int(re.search(r"entries=(\d+)", re.sub(r"\x1b\[[0-9;]*m", "", said).split("stopped")[-1])[1])
        self.assertGreater(entries, max(seq for _, seq in acknowledged))
        folder = pathlib.Path(self.command[2]).parent
        newest = max(folder.glob("data/log/checkpoints/*.note"))
        self.assertEqual(int(newest.read_text().splitlines()[1]), entries)
        # The next start has nothing to mend: it says nothing of it.
        again = self.start_again()
        self.assertFalse([line for line in again if re.search("mended|rewritten|was cut", line)], again)
        print(f"SIGTERM under load: {len(acknowledged)} acknowledged, {entries} entries, all covered", flush=True)


class Conditions(WithService):
    def test_a_damaged_log_is_alive_and_not_ready(self):
        token = self.token("svc_mes", "service")
        for number in range(3):
            self.post(token, event(f"d{number}"))
        status, body = self.ask("GET", "/readyz")
        self.assertEqual((status, json.loads(body)["status"]), (200, "ready"))
        self.stop()
        folder = pathlib.Path(self.command[2]).parent
        segment = sorted(folder.glob("data/log/entries/*.log"))[0]
        data = bytearray(segment.read_bytes())
        at = data.index(b'"cleaning') if b'"cleaning' in data else data.index(b"sieve")
        data[at + 1] ^= 1
        segment.write_bytes(data)
        self.start_again()
        self.assertEqual(self.ask("GET", "/healthz")[0], 200)
        status, body = self.ask("GET", "/readyz")
        self.assertEqual(status, 503)
        self.assertTrue(json.loads(body)["detail"].startswith("read-only:"), body)
        self.assertEqual(self.post(token, event("d9"))[0], 503)
        _, series = self.metrics(token)
        self.assertEqual(series["pulverlog_writing"], 0)
        self.assertEqual(series['pulverlog_condition{condition="read-only"}'], 1)


    def condition(self):
        """What stands, the worst first: from the answer or the problem."""
        status, body = self.ask("GET", "/readyz")
        body = json.loads(body)
        if status == 503:
            return status, body["detail"].split(":")[0]
        return status, [each["code"] for each in body.get("conditions", [])]

    def test_a_log_that_witnesses_must_cover_and_do_not_is_not_ready(self):
        # TEST-NET-1 (RFC 5737): nobody answers there. The key is that of FORMAT.md section 12.
        key = "witness.example.net/w1+0abc1f19+BIE5dw6ofRdfVqNUZsNMfszLjYqRtO43ol32D1uPybOU"
        folder = pathlib.Path(self.command[2]).parent
        more = (f'[[witnesses]]\nurl = "http://127.0.0.1:9"\nkey = "{key}"\n'
                '[witnessing]\nunwitnessed_s_max = 0\nanswer_ms_max = 100\nfail_open = {}\n')
        config = (folder / "pulverlog.toml").read_text()
        made = json.loads((folder / "data/log/entries").joinpath(
            sorted(os.listdir(folder / "data/log/entries"))[0]).read_bytes().split(b"\n")[0])
        self.stop()
        # Older than the limit by a second; the clock is the machine's.
        began = datetime.datetime.fromisoformat(made["recorded_at"].replace("Z", "+00:00"))
        self.wait_for(lambda: (datetime.datetime.now(datetime.timezone.utc) - began).total_seconds() > 2)
        (folder / "pulverlog.toml").write_text(config + more.format("false"))
        self.start_again()
        self.assertEqual(self.condition(), (503, "clients-barred"))
        self.assertEqual(self.post(self.token("svc_mes", "service"), event("w1"))[0], 503)
        self.assertEqual(self.ask("GET", "/healthz")[0], 200)
        self.stop()
        (folder / "pulverlog.toml").write_text(config + more.format("true"))
        self.start_again()
        status, standing = self.condition()
        self.assertEqual(status, 200)
        self.assertIn("witness-overdue", standing)
        self.assertEqual(self.post(self.token("svc_mes", "service"), event("w1"))[0], 201)

    def test_a_disk_is_nearly_full_before_it_is_full_and_mends_by_itself(self):
        folder = pathlib.Path(self.command[2]).parent
        disk = folder / "disk"
        disk.mkdir()
        mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", disk], capture_output=True, text=True)
        if mounted.returncode:
            print(f"SKIPPED: no small disk can be mounted: {mounted.stderr.strip()}", flush=True)
            self.skipTest("no mount")
        self.addCleanup(subprocess.run, ["umount", "-l", disk], check=True)
        self.stop()
        self.start_again("--create", PULVERLOG_LOG__DATA_DIR=str(disk / "data"), PULVERLOG_LOG__SEGMENT_BYTES="65536")
        os.environ["PULVERLOG_LOG__DATA_DIR"] = str(disk / "data")
        self.addCleanup(os.environ.pop, "PULVERLOG_LOG__DATA_DIR")
        token = self.token("svc_mes", "service")
        self.assertEqual(self.post(token, event("f0"))[0], 201)
        self.assertEqual(self.condition(), (200, []))
        room = lambda: os.statvfs(disk).f_bavail * os.statvfs(disk).f_frsize
        (disk / "other").write_bytes(b"x" * (room() - 2 * 65536))
        self.assertEqual(self.condition(), (200, ["disk-nearly-full"]))
        other = os.open(disk / "other", os.O_WRONLY | os.O_APPEND)
        try:
            while os.write(other, b"x" * 4096):
                pass
        except OSError:
            pass
        os.close(other)
        number = iter(range(10**6))
        self.wait_for(lambda: self.post(token, event(f"f{next(number)}x"))[0] in (503, 507))
        status, worst = self.wait_for(lambda: found if (found := self.condition())[0] == 503 else None)
        self.assertEqual(worst, "disk-full")
        self.assertEqual(self.ask("GET", "/healthz")[0], 200)
        (disk / "other").unlink()
        self.wait_for(lambda: self.condition() == (200, []))
        self.assertEqual(self.post(token, event("after"))[0], 201)


class Backups(WithService):
    def run_it(self, *words, code=0):
        done = subprocess.run([*self.command, *words], capture_output=True, text=True)
        self.assertEqual(done.returncode, code, done.stdout + done.stderr)
        return done.stdout + done.stderr

    def test_a_backup_is_checked_practised_with_and_found_broken(self):
        folder = pathlib.Path(self.command[2]).parent
        token = self.token("svc_mes", "service")
        for number in range(5):
            self.assertEqual(self.post(token, event(f"b{number}"))[0], 201)
        # While the service runs.
        for name, words in (("plain", []), ("keyed", ["--with-keys"])):
            self.run_it("backup", str(folder / name), *words)
            self.assertIn("sound", self.run_it("verify-backup", str(folder / name)))
        said = self.run_it("restore-drill", str(folder / "plain"), "--into", str(folder / "drill"))
        self.assertIn("6 entries restored and read, opened by nobody", said)
        self.assertIn("6 entries restored and read, 6 folded",
                      self.run_it("restore-drill", str(folder / "keyed"), "--into", str(folder / "drill")))
        self.assertFalse((folder / "drill").exists(), "the copy of the drill is gone")
        # The log itself was not touched, and goes on.
        self.assertEqual(self.post(token, event("b9"))[0], 201)
        segment = sorted((folder / "plain/log/entries").glob("*.log"))[0]
        data = segment.read_bytes()
        segment.write_bytes(data.replace(b"vacuum", b"vacuun", 1))
        self.run_it("verify-backup", str(folder / "plain"), code=1)
        self.run_it("restore-drill", str(folder / "plain"), "--into", str(folder / "drill"), code=1)
        self.assertFalse((folder / "drill").exists())
        self.run_it("verify-backup", str(folder / "missing"), code=2)


class CheckConfig(unittest.TestCase):
    def test_every_fault_is_named_at_once_and_the_exit_code_says_which_kind(self):
        with tempfile.TemporaryDirectory() as name:
            folder = pathlib.Path(name)

            def check(text, *words, **env):
                (folder / "p.toml").write_text(text)
                (folder / "p.toml").chmod(0o644)
                done = subprocess.run([os.environ["PULVERLOG_RECORDER"], "check-config", "--config", folder / "p.toml", *words],
                                      capture_output=True, text=True, env={**os.environ, **env}, cwd=folder)
                return done.returncode, done.stdout
            good = ('[log]\nallow_tmpfs = true\n[listen]\naddress = "127.0.0.1:0"\n[auth]\nlocal_issuer = true\n')
            code, said = check(good)
            self.assertEqual(code, 0, said)
            self.assertIn("usable\n", said)
            self.assertIn('origin = "records.localhost/log"', said, "the effective configuration is printed")
            code, said = check(good.replace("127.0.0.1:0", "nowhere") + 'audiense = "x"\n[limits]\nrequests_per_s = 0\n',
                               PULVERLOG_LOG__SEGMENT_BYTES="7")
            self.assertEqual(code, 1, said)
            for name in ("listen.address", "auth.audiense", "limits", "log.segment_bytes"):
                self.assertIn(f"problem: `{name}`", said)
            self.assertEqual(check("[log")[0], 2)
            self.assertEqual(check(good.replace("local_issuer = true", ""))[0], 1)


class Keys(WithService):
    """What deploy/KEYS.md says of keys, done with the program."""

    def run_it(self, *words, env=(), code=0):
        done = subprocess.run([*self.command, *words], capture_output=True, text=True,
                              env={**os.environ, **dict(env)})
        self.assertEqual(done.returncode, code, done.stdout + done.stderr)
        return done

    def test_a_key_made_offline_is_brought_in_and_others_are_changed_by_deleting_them(self):
        folder = pathlib.Path(self.command[2]).parent
        token = self.token("svc_mes", "service")
        self.assertEqual(self.post(token, event("k1"))[0], 201)
        self.stop()
        # Made offline, into a directory of its own; brought in; a start without `--create` refuses.
        new = folder / "new"
        elsewhere = {"PULVERLOG_LOG__DATA_DIR": str(new)}
        key = self.run_it("keys", env=elsewhere).stdout.strip()
        self.assertEqual((new / "keys/log.key").stat().st_mode & 0o777, 0o600)
        self.assertIn("is a disk missing", self.run_it("serve", env=elsewhere, code=1).stderr)
        self.assertEqual(self.run_it("keys", env=elsewhere).stdout.strip(), key, "it is printed, never replaced")
        # The local issuer's key: deleted, its tokens are refused and a new one is made.
        (folder / "data/keys/issuer.key").unlink()
        self.start_again()
        self.assertEqual(self.post(token, event("k2"))[0], 401)
        self.assertEqual(self.post(self.token("svc_mes", "service"), event("k2"))[0], 201)
        # A key that others can read is refused, and said so beforehand.
        (new / "keys/log.key").chmod(0o640)
        self.assertIn("may be read by others", self.run_it("keys", env=elsewhere, code=1).stderr)
        said = self.run_it("check-config", "--quiet", env=elsewhere, code=1).stdout
        self.assertIn("may be read by others", said)


if __name__ == "__main__":
    unittest.main()
