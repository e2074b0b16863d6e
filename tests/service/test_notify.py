"""Messages arrive, once the other side takes them; nobody is told unasked."""

from __future__ import annotations

import json
import smtplib
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest
from service_rig import FakeClock, Rig, manifest_for, new_rig

from pipeline.errors import Outcome
from pipeline.service.notify import Outbox, send_message
from pipeline.service.worker import Order

MAIL = 'notification: {email: {to: [bench@example.org], sender: mill@example.org, server: "127.0.0.1"}}'


def manifest(rig: Rig):  # type: ignore[no-untyped-def]
    order = Order(job=rig.site.raw / "tiller", name="tiller", recipe=Path("x"), folder=rig.site.work)
    return manifest_for(order, Outcome.RESCAN, "too-little-overlap")


def test_nobody_is_told_by_default(rig: Rig) -> None:
    outbox = Outbox(rig.site, rig.journal, rig.clock)
    outbox.about_job(manifest(rig), rig.site.attention / "tiller")
    outbox.about_night({"accepted": 1}, rig.site.reports)
    assert rig.journal.messages() == []


def test_a_message_waits_until_it_is_taken(tmp_path: Path) -> None:
    rig = new_rig(tmp_path / "site", MAIL)
    taken: list[str] = []
    refuse = [True]

    def send(site, channel: str, subject: str, body: str) -> None:  # type: ignore[no-untyped-def]
        if refuse[0]:
            raise smtplib.SMTPServerDisconnected("away")
        taken.append(subject)

    outbox = Outbox(rig.site, rig.journal, rig.clock, send)
    outbox.about_job(manifest(rig), rig.site.attention / "tiller")
    tries = 0
    for _ in range(400):
        tries += outbox.due()
        outbox.deliver()
        rig.clock.pass_seconds(30)
    assert 5 < tries < 15, "the waits grow to an hour"
    again = Outbox(rig.site, rig.journal, FakeClock(), send)
    refuse[0] = False
    assert again.due(), "what was not sent survives a restart"
    again.deliver()
    assert taken == ["tiller: rescan"]
    assert not again.due()


def test_one_night_is_told_once(tmp_path: Path) -> None:
    rig = new_rig(tmp_path / "site", MAIL, 'hours: "19:00-06:00"')
    rig.drop("tiller", ready=True)
    supervisor = rig.supervisor()
    supervisor.chores._outbox._send = lambda *message: None
    sent: list[str] = []
    supervisor.chores._outbox._send = lambda site, channel, subject, body: sent.append(subject)
    rig.go_on(supervisor, 60)
    assert sent == []
    rig.clock.wall = rig.clock.wall.replace(day=26, hour=6, minute=1)
    # finished is the manifest's time: let the journal say that it was in this night
    rig.journal._connection.execute("UPDATE jobs SET finished = '2026-11-25T22:00:00Z'")
    rig.go_on(supervisor, 1300, step=20)
    assert sent == ["night's work done: 1 accepted"]


@pytest.fixture
def server():  # type: ignore[no-untyped-def]
    got: list[tuple[str, bytes]] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append((self.path, self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(302 if self.path == "/away" else 200)
            self.send_header("Location", "file:///etc/passwd")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    http = HTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=http.serve_forever, daemon=True).start()
    yield http.server_address[1], got
    http.shutdown()


def test_a_webhook_gets_json(tmp_path: Path, server) -> None:  # type: ignore[no-untyped-def]
    port, got = server
    rig = new_rig(tmp_path / "site", f'notification: {{webhook: "http://127.0.0.1:{port}/hook"}}')
    outbox = Outbox(rig.site, rig.journal, rig.clock)
    outbox.about_job(manifest(rig), rig.site.attention / "tiller")
    assert outbox.deliver() == []
    said = json.loads(got[0][1])
    assert (said["job"], said["outcome"], said["reasons"][0]["code"]) == ("tiller", "rescan", "too-little-overlap")


def test_a_redirect_is_a_failure(tmp_path: Path, server) -> None:  # type: ignore[no-untyped-def]
    port, _ = server
    rig = new_rig(tmp_path / "site", f'notification: {{webhook: "http://127.0.0.1:{port}/away"}}')
    with pytest.raises(OSError, match="302"):
        send_message(rig.site, "webhook", "x", "{}")


def test_a_mail_is_well_formed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rig = new_rig(tmp_path / "site", MAIL)
    sent: list[object] = []

    class Server:
        def __init__(self, *_: object, **__: object) -> None: ...
        def __enter__(self):  # type: ignore[no-untyped-def]
            return self

        def __exit__(self, *_: object) -> None: ...
        def starttls(self, **_: object) -> None:
            sent.append("secure")

        def send_message(self, message: object) -> None:
            sent.append(message)

    monkeypatch.setattr(smtplib, "SMTP", Server)
    send_message(rig.site, "email", "tiller\nBcc: evil@example.org", json.dumps({"text": "Read this."}))
    assert sent[0] == "secure"
    assert sent[1]["Subject"] == "nightmill: tiller Bcc: evil@example.org"  # type: ignore[index]
    assert sent[1]["Bcc"] is None  # type: ignore[index]
