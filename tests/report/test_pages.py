"""Pages are whole, the same every time, ask nothing of the world, and say nothing that is not so."""

from __future__ import annotations

import re
import shutil
from datetime import UTC
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import pytest
import sites

from pipeline.errors import Outcome
from pipeline.formats.evidence import EVIDENCE_FILE
from pipeline.manifest import OfCapturesRecord, StageRecord, read_manifest
from pipeline.part import Mesh
from pipeline.report import account, pictures
from pipeline.report.advice import bench
from pipeline.report.job import write_job_page
from pipeline.report.now import triage_page, write_now
from pipeline.stages.clutter_removal import QUESTIONS

MADE_FROM = {"manifest.json", "part.ply", "part.stl", EVIDENCE_FILE}


class Addresses(HTMLParser):
    """Every address that a page loads from or leads to, its ids, and its text."""

    def __init__(self, page: Path) -> None:
        super().__init__()
        self.loaded: list[str] = []
        self.links: list[str] = []
        self.ids: list[str] = []
        self.feed(page.read_text(encoding="utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name in ("src", "data-library", "data-view") and value:
                self.loaded.append(value)
            elif name == "href" and value:
                self.links.append(value)
            elif name == "id" and value:
                self.ids.append(value)


def pages(site: Path) -> list[Path]:
    return sorted(site.rglob("*.html"))


def files(root: Path) -> dict[str, bytes]:
    return {str(f.relative_to(root)): f.read_bytes() for f in sorted(root.rglob("*")) if f.is_file()}


@pytest.mark.parametrize(
    ("text", "told"), [("One is open at (1.0, 2.5, -3.0) mm.", True), ("The table was tilted.", False)]
)
def test_the_page_says_in_which_frame_places_are(text: str, told: bool) -> None:
    stage = StageRecord(stage="hole-fill", seconds=1, cpu_seconds=1, peak_mib=1, measures={}, warnings=(text,))
    said = account.places(sites.manifest("knob", stages=(stage,)))
    assert said == ("Places (x, y, z) are in the frame of side-1.ply." if told else None)


def test_rebuilt_from_manifests_and_deliverables_alone_they_are_the_same_bytes(site: Path, tmp_path: Path) -> None:
    copy = tmp_path / "elsewhere"
    for name in files(site):
        kept = name.startswith("delivered/review-knob/previews")  # one job's pictures are enough to be drawn twice
        if Path(name).name in MADE_FROM or kept:
            (copy / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(site / name, copy / name)
    (copy / "reports").mkdir()
    sites.write_pages(copy)
    assert files(copy) == files(site)


def test_every_page_is_there(site: Path) -> None:
    names = [str(page.relative_to(site)) for page in pages(site)]
    assert len(names) == 4 + 2 + 1  # a page a job, a note a delivery, the index


def test_nothing_is_loaded_from_outside(site: Path) -> None:
    for page in pages(site):
        text = unescape(page.read_text(encoding="utf-8"))
        assert "default-src 'none'" in text
        assert not re.search(r"(?:https?:)?//[a-z0-9]", re.sub(r"data:[^\"]+", "", text), re.IGNORECASE)
        assert "@import" not in text
        assert "url(" not in re.sub(r"url\(#\w+\)", "", text)


def test_what_is_loaded_and_linked_is_there(site: Path) -> None:
    for page in pages(site):
        found = Addresses(page)
        assert len(found.ids) == len(set(found.ids))
        for address in found.loaded + found.links:
            if address.startswith("#"):
                assert address[1:] in found.ids
            elif not address.startswith("data:"):
                target = (page.parent / unquote(address)).resolve()
                assert target.is_file(), f"{page}: {address}"
                assert target.is_relative_to(site.resolve())


def test_pictures_lie_in_the_page_s_own_folder(site: Path) -> None:
    for page in pages(site):
        for address in Addresses(page).loaded:
            assert address.startswith("data:") or ".." not in address or address.endswith("plotly.min.js")


def test_what_people_wrote_is_text_and_nothing_else(site: Path) -> None:
    page = (site / "attention" / "rescan #1 %23 ö" / "index.html").read_text(encoding="utf-8")
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp;" in page
    assert "蓮" in page


def test_the_delivery_note_is_one_file(site: Path) -> None:
    notes = list(site.rglob("delivery-note.html"))
    assert {note.parent.name for note in notes} == {"accepted-knob", "review-knob"}
    for note in notes:
        assert all(address.startswith("data:") for address in Addresses(note).loaded)
        assert not Addresses(note).links


def test_a_delivery_in_doubt_says_that_it_is_not_released(site: Path) -> None:
    assert "Not released" in (site / "delivered/review-knob/delivery-note.html").read_text(encoding="utf-8")
    assert "Not released" not in (site / "delivered/accepted-knob/delivery-note.html").read_text(encoding="utf-8")


def test_a_limit_that_nobody_measured_is_not_called_held(site: Path) -> None:
    page = (site / "attention/failed-knob/index.html").read_text(encoding="utf-8")
    assert "not judged" in page
    assert "<td>held" not in page
    assert "<td>held" in (site / "delivered/accepted-knob/index.html").read_text(encoding="utf-8")


def test_without_evidence_the_page_is_whole_and_says_what_is_missing(site: Path) -> None:
    page = (site / "delivered/review-knob/index.html").read_text(encoding="utf-8")
    assert "Not drawn" in page
    assert "-deviation.webp" not in page
    assert 'id="files"' in page


def test_a_job_without_a_deliverable_shows_its_captures(tmp_path: Path) -> None:
    told = sites.manifest("knob", Outcome.RESCAN, deliverables=(), reasons=(sites.reason(Outcome.RESCAN),))
    folder = sites.put(tmp_path / "site", told)
    sites.add_evidence(folder, sites.knob(4))
    text = write_job_page(folder).read_text(encoding="utf-8")
    assert text.count("previews/capture-") == 2
    assert (folder / "previews" / "thumb.webp").is_file()


def test_advice_names_the_side_and_what_to_do(site: Path) -> None:
    page = (site / "attention" / "rescan #1 %23 ö" / "index.html").read_text(encoding="utf-8")
    assert "At the bench" in page
    assert "underside" in page
    assert "at least four markers" in page
    assert "At the bench" not in (site / "delivered/review-knob/index.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(("code", "side"), [("sides-do-not-join", None), ("sides-contradict", "underside")])
def test_what_is_done_between_sides_is_said_of_the_whole_part(code: str, side: str | None) -> None:
    told = sites.manifest("knob", Outcome.RESCAN, reasons=(sites.reason(Outcome.RESCAN, code),))
    assert [group["side"] for group in bench(told)] == [side]


def test_every_side_is_told_all_that_is_to_be_done_at_it() -> None:
    first = sites.reason(Outcome.RESCAN, "no-points")
    told = sites.manifest("knob", Outcome.RESCAN, reasons=(first, first.model_copy(update={"capture": "side-1.ply"})))
    groups = bench(told)
    assert len(groups) == 2
    assert groups[0]["steps"] == groups[1]["steps"]
    assert groups[0]["side"] != groups[1]["side"]


@pytest.mark.parametrize("remedy", [remedy for _, remedy in QUESTIONS.values()])
def test_at_the_bench_is_told_what_hands_do_and_not_what_is_looked_at(remedy: str) -> None:
    reason = sites.reason(Outcome.RESCAN, "part-unsure").model_copy(update={"remedy": remedy})
    steps = [
        step for group in bench(sites.manifest("knob", Outcome.RESCAN, reasons=(reason,))) for step in group["steps"]
    ]
    assert not any("picture" in step for step in steps)
    assert all(remedy.endswith(step) for step in steps)
    assert steps or remedy.endswith("?")


def test_a_limit_that_was_never_judged_is_judged_by_its_value() -> None:
    """A job that ended with a question has measured all the same: what is beyond its limit is not called held."""
    told = sites.manifest("knob", Outcome.FAILED)
    for p99, verdict, otherwise in ((0.15, "held", None), (0.25, "broken", "review")):
        checked = StageRecord(
            stage="deviation-check", seconds=1, cpu_seconds=1, peak_mib=1, measures=sites.measures(p99_mm=(p99, "mm"))
        )
        (row,) = account.limits(told.model_copy(update={"stages": (checked,)}))
        assert (row["verdict"], row["otherwise"]) == (verdict, otherwise)


def test_a_limit_that_asks_for_another_scan_says_what_to_scan() -> None:
    reason = sites.reason(Outcome.RESCAN, "limit:hole-fill.filled_percent")
    reason = reason.model_copy(update={"remedy": "Look at the pictures: the limit is set in the recipe."})
    (group,) = bench(sites.manifest("knob", Outcome.RESCAN, reasons=(reason,)))
    assert group["steps"] == ["Scan the open places as well: turn the part over, tilt it, or lay it on its side."]


def test_the_size_that_was_measured_is_told_and_the_box_where_the_file_is_larger(site: Path, tmp_path: Path) -> None:
    """A corner that sticks out is in the file, and is no size: jaws do not feel it."""
    mesh = sites.knob()
    told = sites.manifest("knob")
    extents = {f"extent_{axis}_mm": (11.11 * k, "mm") for k, axis in enumerate("xyz", 1)}
    measurement = StageRecord(
        stage="measurement", seconds=1, cpu_seconds=1, peak_mib=1, measures=sites.measures(**extents)
    )
    told = told.model_copy(update={"stages": (*told.stages, measurement)})
    folder = sites.put(tmp_path / "site", told, mesh)
    write_job_page(folder, UTC)
    for page in ("index.html", "delivery-note.html"):
        text = unescape((folder / page).read_text(encoding="utf-8"))
        assert "11.11 × 22.22 × 33.33" in text, page
        assert "Box of the file" in text, page
        box = " × ".join(f"{side:.2f}" for side in np.ptp(mesh.vertices, axis=0))
        assert f"{box}\u00a0mm, single corners that stick out included" in text, page


def test_what_was_measured_of_a_pair_is_told_beside_the_whole(tmp_path: Path) -> None:
    told = sites.manifest("knob")
    pair = OfCapturesRecord(
        captures=("top.ply", "left.ply"), measures=sites.measures(overlap_percent=(43.2, "percent"))
    )
    stage = StageRecord(
        stage="alignment",
        seconds=1,
        cpu_seconds=1,
        peak_mib=1,
        measures=sites.measures(overlap_percent=(61.0, "percent")),
        of_captures=(pair,),
    )
    folder = sites.put(tmp_path / "site", told.model_copy(update={"stages": (stage,)}), sites.knob())
    assert read_manifest(folder).stages[0].of_captures == (pair,)
    write_job_page(folder, UTC)
    text = unescape((folder / "index.html").read_text(encoding="utf-8"))
    assert "<td>top.ply and left.ply</td><td>overlap 43.2\u00a0%</td>" in text


def test_one_size_is_told_where_the_file_is_no_larger() -> None:
    extents = {f"extent_{axis}_mm": (11.11 * k, "mm") for k, axis in enumerate("xyz", 1)}
    measurement = StageRecord(
        stage="measurement", seconds=1, cpu_seconds=1, peak_mib=1, measures=sites.measures(**extents)
    )
    told = sites.manifest("knob").model_copy(update={"stages": (measurement,)})
    size = ("Size", "11.11 × 22.22 × 33.33\u00a0mm")
    assert account.sizes(told, (11.1101, 22.2199, 33.33)) == [size]
    assert account.sizes(told, None) == [size]
    assert account.sizes(sites.manifest("knob"), (11.11, 22.22, 33.33)) == [size]
    assert account.sizes(sites.manifest("knob"), None) == []


def test_sizes(site: Path) -> None:
    job = site / "delivered/accepted-knob"
    own = [job / "index.html", *(job / "previews").iterdir()]
    assert sum(file.stat().st_size for file in own) < 3_000_000


def test_what_the_pictures_count_is_so(site: Path) -> None:
    """The foot is unmeasured; the upper half lies 0.15 mm outside: beyond two thirds of the tolerance, within it."""
    folder = site / "delivered/accepted-knob"
    told = pictures.pictures_of(folder, sites.Manifest.model_validate_json((folder / "manifest.json").read_bytes()))
    assert told is not None
    mesh = sites.knob()
    corners = mesh.vertices[mesh.faces]
    areas = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
    assert told.unmeasured_percent == pytest.approx(100 * areas[mesh.filled].sum() / areas.sum(), abs=0.3)
    measured_above = (corners.mean(axis=1)[:, 2] > 0) & ~mesh.filled
    expected = 100 * areas[measured_above].sum() / areas[~mesh.filled].sum()
    assert told.bands[5].percent == pytest.approx(expected, abs=2.5)
    assert sum(band.percent for band in told.bands) == pytest.approx(100, abs=0.1)
    coverage = told.coverage_percent
    assert coverage is not None
    assert coverage["top"] > 99
    assert min(coverage, key=coverage.__getitem__) == "underside"


@pytest.fixture
def in_small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pictures of a tenth of the pixels, where their size does not matter."""
    monkeypatch.setattr(pictures, "LARGE", (270, 210))
    monkeypatch.setattr(pictures, "SMALL", (135, 105))


@pytest.mark.usefixtures("in_small")
def test_pictures_are_drawn_again_when_what_they_show_has_changed(tmp_path: Path) -> None:
    folder = sites.put(tmp_path / "site", sites.manifest("knob"), sites.knob(3), evidence=False)
    write_job_page(folder, UTC)
    before = (folder / "previews/front.webp").read_bytes()
    shutil.rmtree(folder)
    flat = sites.knob(3)
    sites.put(tmp_path / "site", sites.manifest("knob"), Mesh(flat.vertices * (1, 1, 0.5), flat.faces), evidence=False)
    write_job_page(folder, UTC)
    assert (folder / "previews/front.webp").read_bytes() != before


@pytest.mark.usefixtures("in_small")
def test_links_are_made_for_where_the_folder_will_lie(tmp_path: Path) -> None:
    folder = sites.put(tmp_path / "site", sites.manifest("knob"), sites.knob(3), evidence=False)
    work = tmp_path / "site" / "work" / "knob" / "attempt-1"
    shutil.copytree(folder, work)
    write_job_page(folder, UTC)
    write_job_page(work, UTC, home=folder)
    assert files(work) == files(folder)


@pytest.mark.usefixtures("in_small")
def test_a_job_without_a_site_has_its_library_beside_it(tmp_path: Path) -> None:
    folder = sites.put(tmp_path / "site", sites.manifest("knob"), sites.knob(3), evidence=False)
    alone = tmp_path / "results" / "knob"
    shutil.copytree(folder, alone)
    write_job_page(alone, UTC)
    assert (tmp_path / "results/report-assets/plotly.min.js").is_file()
    assert "../report-assets/plotly.min.js" in (alone / "index.html").read_text(encoding="utf-8")


def test_pages_for_the_day(tmp_path: Path) -> None:
    text = triage_page(
        "a--b", "rescan", "scan again", "2 captures", [("Too <few> points.", "Scan slower.")], "Until then."
    ).decode()
    assert "nightmill triage of a" in text[:200]
    assert "Too &lt;few&gt; points." in text
    status = {
        "hours": "always", "service": None, "problems": ["The disk is short."], "queue": [],
        "others": [], "running": [],
        "inbox": [{"entry": "new", "text": "can be worked", "files": 2, "bytes": 1000}],
        "night": [{"job": "old", "outcome": str(Outcome.ACCEPTED), "text": ""}],
    }  # fmt: skip
    page = write_now(tmp_path, status).read_text(encoding="utf-8")
    assert "The disk is short." in page
    assert "can be worked" in page
