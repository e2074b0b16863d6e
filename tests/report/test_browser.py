"""The pages in a real browser: usable, accessible, valid, and silent towards the world."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Callable
from datetime import UTC
from pathlib import Path
from typing import Any

import pytest
import sites

from pipeline.errors import Outcome
from pipeline.report.night import write_night
from pipeline.report.now import triage_page, write_now

Browse = Callable[[list[dict[str, Any]]], list[dict[str, Any]]]
STATUS = {
    "hours": "19:00-06:00",
    "service": {"host": "mill", "state": "waiting", "at": "2026-11-24T08:00:00Z"},
    "problems": ["The disk is short."],
    "queue": [{"job": "cleat", "text": "waits to be worked"}],
    "others": ["notes.pdf"],
    "running": [{"job": "knob", "step": "meshing", "place": 3, "of": 9, "seconds": 12.0}],
    "inbox": [{"entry": "new", "text": "2 captures, 1,800 points: can be worked", "files": 2, "bytes": 20_000}],
    "night": [{"job": "accepted-knob", "outcome": "accepted", "text": ""}],
}


def needed(name: str) -> str:
    """A program that the tests of this file run; in CI it must be there."""
    found = shutil.which(name)
    if found is None:
        assert not os.environ.get("CI"), f"CI needs {name}"
        pytest.skip(f"{name} is not installed here")
    return found


@pytest.fixture(scope="module")
def browse(npm_package: Callable[[str], Path], tmp_path_factory: pytest.TempPathFactory) -> Browse:
    node, chromium = needed("node"), needed("chromium")
    playwright = npm_package("playwright-core@1.65.1") / "package"
    axe = npm_package("axe-core@4.14.1") / "package" / "axe.min.js"

    def run(orders: list[dict[str, Any]]) -> list[dict[str, Any]]:
        file = tmp_path_factory.mktemp("browse") / "orders.json"
        file.write_text(json.dumps(orders), encoding="utf-8")
        script = Path(__file__).with_name("browse.mjs")
        command = [node, str(script), str(playwright), str(axe), chromium, str(file)]
        ended = subprocess.run(command, capture_output=True, encoding="utf-8", timeout=300)
        assert ended.returncode == 0, ended.stderr
        told: list[dict[str, Any]] = json.loads(ended.stdout)
        return told

    return run


@pytest.fixture(scope="module")
def whole(site: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the site with the pages for the day as well."""
    copy = tmp_path_factory.mktemp("whole") / "site"
    shutil.copytree(site, copy)
    (copy / "inbox").mkdir()
    findings = [("side-1.ply has only 900 points.", "Scan this side again, slower.")]
    for kind in ("good", "doubt", "rescan", "failing", "unreadable"):
        page = triage_page(
            f"new {kind}", kind, "can be worked; look at this", "2 captures", findings, "It is taken at night."
        )
        (copy / "inbox" / f"{kind}.triage.html").write_bytes(page)
    write_now(copy, STATUS)
    return copy


def test_accessible_on_wide_and_narrow_screens_in_light_and_dark(whole: Path, browse: Browse) -> None:
    orders = [
        {"url": page.as_uri(), "width": width, "scheme": scheme, "axe": True}
        for page in sorted(whole.rglob("*.html"))
        for width, scheme in ((1280, "light"), (390, "dark"))
    ]
    for order, told in zip(orders, browse(orders), strict=True):
        assert told["violations"] == [], order["url"]
        assert told["errors"] == [], order["url"]
        assert told["overflow"] <= 0, (order["url"], order["width"])


def test_nothing_is_asked_of_the_world(whole: Path, browse: Browse) -> None:
    turn = [["click", "#go"], ["wait", "#turn canvas"], ["click", "[data-look=band]"], ["click", "[data-eye=top]"]]
    job = whole / "delivered/accepted-knob/index.html"
    orders: list[dict[str, Any]] = [{"url": page.as_uri()} for page in sorted(whole.rglob("*.html")) if page != job]
    orders.append({"url": job.as_uri(), "steps": [*turn, ["read", "document.getElementById('said').textContent"]]})
    told = browse(orders)
    for order, one in zip(orders, told, strict=True):
        folder = order["url"].rsplit("/", 1)[0] + "/"
        outside = [r for r in one["requests"] if not r.startswith((folder, "data:", "blob:"))]
        assert [r.rsplit("/", 1)[1] for r in outside] in ([], ["plotly.min.js"]), order["url"]
        assert all(request.startswith(whole.as_uri()) for request in outside)
        assert not [error for error in one["errors"] if "Content Security Policy" in error], one["errors"]
    assert told[-1]["read"][0].startswith("Drag to turn")


def test_filter_sort_and_search_by_keyboard(site: Path, browse: Browse) -> None:
    index = (site / "reports" / sites.NIGHT / "index.html").as_uri()
    visible = "[...document.querySelectorAll('#jobs > li:not([hidden])')].map((e) => e.className)"
    focus = ["read", "document.querySelector('#tally button').focus()"]
    told = browse(
        [
            {
                "url": index,
                "steps": [focus, ["press", "Space"], ["read", visible], ["press", "Enter"], ["read", visible]],
            },
            {"url": index, "steps": [["type", "#find", "review-KNOB"], ["read", visible]]},
            {"url": index, "steps": [["choose", "#sort", "first"], ["read", visible]]},
            {
                "url": index,
                "steps": [
                    ["type", "#find", "nothing like this"],
                    ["read", "document.getElementById('shown').textContent"],
                    ["click", "#all"],
                    ["read", visible],
                ],
            },
        ]
    )
    everything = ["failed", "rescan", "review", "accepted"]
    assert told[0]["read"][1:] == [["failed"], everything]
    assert told[1]["read"] == [["review"]]
    assert told[2]["read"] == [everything[::-1]]
    assert told[3]["read"] == ["0 of 4 jobs", everything]


def test_300_jobs_can_be_searched(tmp_path: Path, browse: Browse) -> None:
    for k in range(300):
        sites.put(tmp_path, sites.manifest(f"job-{k:03d}", list(Outcome)[k % 4], minutes=k))
    index = write_night(tmp_path, sites.NIGHT, UTC)
    steps = [["type", "#find", "job-123"], ["read", "document.getElementById('shown').textContent"]]
    assert browse([{"url": index.as_uri(), "steps": steps}])[0]["read"] == ["1 of 300 jobs"]


def test_valid_html(whole: Path, npm_package: Callable[[str], Path]) -> None:
    """By the Nu Html Checker, the validator behind the W3C's."""
    java = needed("java")
    checker = npm_package("vnu-jar@26.9.27") / "package/build/dist/vnu.jar"
    names = [str(page) for page in sorted(whole.rglob("*.html"))]
    command = [java, "-jar", str(checker), "--errors-only", "--format", "json", "--stdout", *names]
    ended = subprocess.run(command, capture_output=True, encoding="utf-8", timeout=180)
    found = json.loads(ended.stdout)["messages"]
    assert [f"{m.get('url')}: {m['message']} {m.get('extract', '')}" for m in found] == []
