"""``check``: what is said of files that are good in themselves and name what is not there."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.cli.checking import checked
from pipeline.errors import ConfigurationError

TINY = "recipe: 1\nname: tiny\nstages:\n  - stage: outlier-removal\n"


def written(file: Path, text: str) -> Path:
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text, encoding="utf-8")
    return file


def mistakes(file: Path) -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        checked(file)
    return [str(mistake).removeprefix(f"{file}:") for mistake in caught.value.mistakes]


@pytest.mark.parametrize("text", ["", "# a recipe, one day\n", "~\n"])
def test_an_empty_file_is_no_ticket_unless_it_is_named_so(tmp_path: Path, text: str) -> None:
    (said,) = mistakes(written(tmp_path / "bores.yaml", text))
    assert said.startswith("1: holds nothing; a recipe begins with recipe: 1")
    assert checked(written(tmp_path / "ticket.yaml", "")) == ["it says nothing of the job"]


def test_the_recipe_of_a_ticket_must_be_in_its_site(tmp_path: Path) -> None:
    written(tmp_path / "site.yaml", "site: 1\n")
    ticket = written(tmp_path / "inbox" / "cleat" / "ticket.yaml", "part: cleat\nrecipe: tiny\n")
    assert mistakes(ticket) == [
        "2: recipe: There is no recipe 'tiny'. Give a file, or one of: archive, inspection, preview, replica."
    ]
    recipe = written(tmp_path / "recipes" / "tiny.yaml", TINY)
    assert checked(ticket) == []
    written(recipe, TINY.replace("outlier", "outlaw"))
    assert f"{recipe}:4: stages[1].stage: 'outlaw-removal' is not a stage" in mistakes(ticket)[0]
    assert "not a name" in mistakes(written(ticket, "recipe: ../tiny\n"))[0]


def test_the_recipe_of_a_ticket_in_no_site_may_be_that_of_a_site(tmp_path: Path) -> None:
    (note,) = checked(written(tmp_path / "ticket.yaml", "recipe: replika\n"))
    assert note.startswith("There is no recipe 'replika'. Did you mean replica? Only a site that has replika.yaml")
    assert checked(written(tmp_path / "ticket.yaml", "recipe: replica\n")) == []


def test_the_captures_of_a_ticket_must_lie_beside_it_once_any_do(tmp_path: Path) -> None:
    ticket = written(tmp_path / "ticket.yaml", "captures:\n  top.ply: {side: top}\n")
    assert checked(ticket) == ["none of its captures lies beside it yet: top.ply"]
    written(tmp_path / "topp.ply", "")
    assert mistakes(ticket) == [
        "2: captures.top.ply: there is no such capture. Did you mean topp.ply? Captures here: topp.ply"
    ]
    written(tmp_path / "top.ply", "")
    assert checked(ticket) == []
    draft = written(tmp_path / "draft.yaml", ticket.read_text(encoding="utf-8"))
    assert checked(draft) == ["a ticket is read only under the name ticket.yaml, beside the captures"]


def test_every_recipe_of_a_site_must_be_there(tmp_path: Path) -> None:
    site = written(tmp_path / "site.yaml", "site: 1\nrecipe: tiny\nroutes:\n  - {match: a*, recipe: preview}\n")
    site.write_text(site.read_text(encoding="utf-8") + "  - {match: b*, recipe: tinny}\n", encoding="utf-8")
    default, route = mistakes(site)
    assert default.startswith("2: recipe: There is no recipe 'tiny'.")
    assert route.startswith("5: routes[2].recipe: There is no recipe 'tinny'.")
    for name in ("tiny", "tinny"):
        written(tmp_path / "recipes" / f"{name}.yaml", TINY)
    assert checked(site) == []
    draft = written(tmp_path / "draft.yaml", "site: 1\nrecipe: nowhere\n")
    assert checked(draft) == ["its recipes are looked for once it is the site.yaml of a site"]
