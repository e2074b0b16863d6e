"""Telling people: messages wait in the journal until they have arrived. Off unless the site says otherwise."""

from __future__ import annotations

import json
import smtplib
import ssl
import urllib.request
from collections.abc import Callable
from email.message import EmailMessage
from email.utils import formatdate, make_msgid
from pathlib import Path

from pipeline.manifest import Manifest
from pipeline.service.clock import Clock, timestamp
from pipeline.service.journal import Journal
from pipeline.site import Email, Notification, Site

TIMEOUT_S = 20
FIRST_WAIT_S, LONGEST_WAIT_S = 60.0, 3600.0
MOST_TRIES = 100  # at an hour apart: four days

Send = Callable[[Site, str, str, str], None]
"""Sends a message (channel, subject, body) or raises OSError."""


class Outbox:
    """Writes messages into the journal, and sends what waits there."""

    def __init__(self, site: Site, journal: Journal, clock: Clock, send: Send | None = None) -> None:
        self._site = site
        self._journal = journal
        self._clock = clock
        self._send = send or send_message
        self._not_before: dict[int, float] = {}

    def about_job(self, manifest: Manifest, place: Path) -> None:
        """A job that needs a person."""
        texts = [f"{reason.text}\n  {reason.remedy}" for reason in manifest.reasons]
        body: dict[str, object] = {
            "event": "attention",
            "job": manifest.job,
            "outcome": str(manifest.outcome),
            "reasons": [
                {"code": reason.code, "text": reason.text, "remedy": reason.remedy} for reason in manifest.reasons
            ],
            "place": str(place),
            "text": "\n\n".join([*texts, f"It lies in {place}"]),
        }
        self._put("attention", f"{manifest.job}: {manifest.outcome}", body)

    def about_night(self, counts: dict[str, int], report: Path) -> None:
        """The night's work is done."""
        words = ", ".join(f"{count} {outcome}" for outcome, count in counts.items()) or "no job"
        body: dict[str, object] = {
            "event": "night",
            "jobs": counts,
            "report": str(report),
            "text": f"{words}.\n\nReport: {report}",
        }
        self._put("night", f"night's work done: {words}", body)

    def _put(self, event: str, subject: str, body: dict[str, object]) -> None:
        wanted = self._site.settings.notification
        if wanted is None or event not in wanted.about:
            return
        self._journal.put_message(channels(wanted), subject, json.dumps(body), timestamp(self._clock.now()))

    def due(self) -> bool:
        """Whether some message should be sent now."""
        now = self._clock.monotonic()
        return any(now >= self._not_before.get(number, 0.0) for number, *_ in self._journal.messages())

    def deliver(self) -> list[str]:
        """Send what waits and is due. Problems, one line each; nothing is raised, nothing is lost by a failure."""
        problems: list[str] = []
        for number, channel, subject, body, tries in self._journal.messages():
            if self._clock.monotonic() < self._not_before.get(number, 0.0):
                continue
            try:
                self._send(self._site, channel, subject, body)
            except Exception as error:  # a bad address, a server's whim: the message waits
                wait = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(tries, 20))
                self._not_before[number] = self._clock.monotonic() + wait
                problems.append(f"{channel} did not take a message ({error}); it is sent again later")
                self._journal.tried(number)
                if tries + 1 >= MOST_TRIES:
                    problems.append(f"the message {subject!r} was given up after {MOST_TRIES} tries")
                    self._journal.sent(number)
            else:
                self._not_before.pop(number, None)
                self._journal.sent(number)
        return problems


def channels(wanted: Notification) -> list[str]:
    """The ways the site wants to be told."""
    return [name for name, value in (("email", wanted.email), ("webhook", wanted.webhook)) if value is not None]


def send_message(site: Site, channel: str, subject: str, body: str) -> None:
    """Send by SMTP or HTTP. Raises OSError, SMTPException or HTTPError when it was not taken."""
    wanted = site.settings.notification
    if wanted is None:
        return  # switched off since it was written
    if channel == "email" and wanted.email is not None:
        _mail(site, wanted.email, subject, json.loads(body)["text"])
    if channel == "webhook" and wanted.webhook is not None:
        request = urllib.request.Request(
            wanted.webhook, body.encode(), {"Content-Type": "application/json", "User-Agent": "nightmill"}
        )
        with urllib.request.build_opener(_NoRedirect).open(request, timeout=TIMEOUT_S) as answer:
            answer.read(1)


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """A redirect could lead anywhere: it counts as a failure."""

    def redirect_request(self, *arguments: object) -> None:
        return None


def _mail(site: Site, wanted: Email, subject: str, text: str) -> None:
    message = EmailMessage()
    message["From"] = wanted.sender
    message["To"] = ", ".join(wanted.to)
    message["Subject"] = "nightmill: " + " ".join(subject.split())
    message["Date"] = formatdate(localtime=True)
    message["Message-ID"] = make_msgid("nightmill")
    message.set_content(text)
    secure = ssl.create_default_context()
    if wanted.security == "tls":
        server: smtplib.SMTP = smtplib.SMTP_SSL(wanted.server, wanted.port, timeout=TIMEOUT_S, context=secure)
    else:
        server = smtplib.SMTP(wanted.server, wanted.port, timeout=TIMEOUT_S)
    with server:
        if wanted.security == "starttls":
            server.starttls(context=secure)
        if wanted.user is not None:
            password = (
                ""
                if wanted.password_file is None
                else (site.root / wanted.password_file).read_text(encoding="utf-8").strip()
            )
            server.login(wanted.user, password)
        server.send_message(message)
