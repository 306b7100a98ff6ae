"""A copy in object storage: the program as shipped against a server that speaks the S3 protocol, with
object lock, conditional writing and credentials that are checked (moto, in this process).
"""

import json
import os
import pathlib
import subprocess
import tempfile
import time
import urllib.request

import boto3
import botocore.exceptions
from moto.server import ThreadedMotoServer

from service import WithService

BUCKET, PREFIX = "plant-copies", "north/2026"
COPIES = """
[copies]
interval_ms = 100
acknowledge_ms_max = 3000
[[copies.to]]
name = "store"
bucket = "s3://{bucket}/{prefix}"
endpoint = "{endpoint}"
credentials_file = "{credentials}"
lock_days = 30
acknowledge_after_copy = true
"""


class Copies(WithService):
    def setUp(self):
        self.store = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
        self.store.start()
        self.addCleanup(self.store.stop)
        self.endpoint = "http://{}:{}".format(*self.store.get_host_and_port())
        # What an earlier test left in this process.
        self.check_credentials(False)
        self.tell("reset")
        self.root = self.client("s3", "root", "root")
        self.root.create_bucket(Bucket=BUCKET, ObjectLockEnabledForBucket=True)
        # A key that may put, get and list, and nothing else.
        iam = self.client("iam", "root", "root")
        iam.create_user(UserName="copier")
        key = iam.create_access_key(UserName="copier")["AccessKey"]
        self.key = (key["AccessKeyId"], key["SecretAccessKey"])
        may = ["s3:PutObject", "s3:PutObjectRetention", "s3:GetObject", "s3:ListBucket"]
        iam.put_user_policy(UserName="copier", PolicyName="copies", PolicyDocument=json.dumps({
            "Version": "2012-10-17",
            "Statement": [{"Effect": "Allow", "Action": may, "Resource": "*"}]}))
        folder = tempfile.TemporaryDirectory(prefix="pulverlog-copies-")
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)
        self.credentials = self.folder / "store.toml"
        self.sign_in(*self.key)
        self.more = COPIES.format(
            bucket=BUCKET, prefix=PREFIX, endpoint=self.endpoint, credentials=self.credentials)
        self.check_credentials(True)
        super().setUp()
        self.mes = self.token("svc_mes", "service")

    def client(self, name, access, secret):
        return boto3.client(name, endpoint_url=self.endpoint, region_name="us-east-1",
                            aws_access_key_id=access, aws_secret_access_key=secret)

    def sign_in(self, access, secret):
        self.credentials.write_text(
            f'access_key_id = "{access}"\nsecret_access_key = "{secret}"\n')
        self.credentials.chmod(0o600)

    def check_credentials(self, on):
        """Whether the store looks at who asks."""
        self.tell("reset-auth", b"0" if on else b"inf")

    def tell(self, what, data=b""):
        """Asks the server something about itself."""
        plain = {"Content-Type": "text/plain"}
        request = urllib.request.Request(f"{self.endpoint}/moto-api/{what}", data, plain)
        urllib.request.urlopen(request).close()

    def record(self, name):
        event = {
            "specversion": "1.0", "id": name, "source": "/mes/test",
            "type": "pulverlog.meter.read", "subject": "equipment/S-02", "site": "north",
            "time": "2026-03-05T14:07:00+01:00", "operator": "op_k7m2q9xd",
            "data": {"meter": "run", "reading": {"value": "12.5", "unit": "h"}}}
        request = urllib.request.Request(
            f"{self.base}/v1/events", json.dumps(event).encode(),
            {"Authorization": f"Bearer {self.mes}",
             "Content-Type": "application/cloudevents+json"})
        try:
            with urllib.request.urlopen(request) as answer:
                return answer.status, json.load(answer)
        except urllib.error.HTTPError as problem:
            with problem:
                return problem.code, json.load(problem)

    def objects(self):
        mine = self.client("s3", *self.key)
        pages = mine.get_paginator("list_objects_v2").paginate(Bucket=BUCKET, Prefix=PREFIX)
        return [found["Key"] for page in pages for found in page.get("Contents", [])]

    def until(self, word):
        """Waits until the program log has a word."""
        while not any(word in line for line in self.said):
            self.assertIsNone(self.service.poll(), "".join(self.said))
            time.sleep(0.05)

    def test_a_receipt_stands_for_an_object_that_is_there_and_locked(self):
        for number in range(5):
            status, receipt = self.record(f"e{number}")
            self.assertEqual(201, status, receipt)
            entries = b"".join(
                self.root_get(name) for name in self.objects() if name.endswith(".ndjson"))
            # The entry itself, found with plain tools: behind the receipt stands an object.
            self.assertIn(f'"id":"e{number}"'.encode(), entries)
        name = next(name for name in self.objects() if "/tail/" in name)
        mine = self.client("s3", *self.key)
        found = mine.get_object(Bucket=BUCKET, Key=name)
        self.assertEqual("COMPLIANCE", found["ObjectLockMode"])
        days = (found["ObjectLockRetainUntilDate"].timestamp() - time.time()) / 86_400
        self.assertAlmostEqual(30, days, delta=0.5)
        # The store refuses to give the object up, and the copier's key may not even ask.
        self.check_credentials(False)
        with self.assertRaises(botocore.exceptions.ClientError) as refused:
            self.root.delete_object(Bucket=BUCKET, Key=name, VersionId=found["VersionId"])
        self.assertIn("AccessDenied", str(refused.exception))

    def root_get(self, name):
        mine = self.client("s3", *self.key)
        return mine.get_object(Bucket=BUCKET, Key=name)["Body"].read()

    def test_wrong_credentials_are_told_of_without_showing_them(self):
        self.assertEqual(201, self.record("before")[0])
        secret = "aVerySecretWordIndeed"
        self.sign_in("AKIAWRONGWRONGWRONG", secret)
        # The key in use is withdrawn; the file holds another one by now.
        self.root_without_checks(
            lambda iam: iam.delete_access_key(UserName="copier", AccessKeyId=self.key[0]))
        status, problem = self.record("meanwhile")
        self.assertEqual((503, "urn:pulverlog:problem:not-copied"), (status, problem["type"]))
        self.until("credentials are not accepted")
        for word in [secret, "AKIAWRONGWRONGWRONG", *self.key]:
            self.assertFalse(any(word in line for line in self.said), "a secret in the log")
            self.assertNotIn(word, json.dumps(problem))
        # With a good key in the file it goes on by itself, and the receipt comes.
        made = []
        self.root_without_checks(lambda iam: made.append(
            iam.create_access_key(UserName="copier")["AccessKey"]))
        self.key = (made[0]["AccessKeyId"], made[0]["SecretAccessKey"])
        self.sign_in(*self.key)
        while status == 503:
            status, receipt = self.record("meanwhile")
        self.assertEqual((200, 2), (status, receipt["seq"]))

    def root_without_checks(self, ask):
        self.check_credentials(False)
        ask(self.client("iam", "root", "root"))
        self.check_credentials(True)

    def test_an_object_of_somebody_else_is_an_alarm_and_stays(self):
        status, receipt = self.record("one")
        self.assertEqual((201, 1), (status, receipt["seq"]))
        name = f"{PREFIX}/tail/{2:020}-{3:020}.ndjson"
        mine = self.client("s3", *self.key)
        mine.put_object(Bucket=BUCKET, Key=name, Body=b"not an entry\n", ChecksumAlgorithm="SHA256")
        status, problem = self.record("two")
        self.assertEqual(503, status, problem)
        self.until("is there with other bytes")
        self.assertEqual(b"not an entry\n", self.root_get(name))

    def test_a_log_comes_back_out_of_the_store(self):
        for number in range(3):
            self.assertEqual(201, self.record(f"e{number}")[0])
        to = self.folder / "again"
        environment = {**os.environ, "NO_COLOR": "1"}
        restored = subprocess.run(
            [*self.command, "restore", "--from", "store", "--to", str(to)],
            capture_output=True, text=True, env=environment)
        self.assertEqual(0, restored.returncode, restored.stdout + restored.stderr)
        self.assertIn("4 entries, the last one recorded", restored.stdout)
        self.assertIn("sound:", restored.stdout)
        self.assertIn("opens for reading only", restored.stdout)
