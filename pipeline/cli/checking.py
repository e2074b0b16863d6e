"""What ``check`` says of one file that people write: its mistakes, and what is worth a thought."""

from __future__ import annotations

from pathlib import Path

from pipeline.document import Document, load
from pipeline.errors import ConfigurationError, Mistake, UsageError
from pipeline.job import captures_in, check_captures, job_name
from pipeline.recipe import find_recipe, gaps, load_recipe
from pipeline.service.routing import check_recipes, recipe_for
from pipeline.site import SITE_FILE, Site, load_settings, open_site
from pipeline.ticket import TICKET_FILE, Ticket, load_ticket


def checked(path: Path) -> list[str]:
    """Notes on a good file. A recipe and a site say so in their first key; everything else is a ticket.

    Raises
    ------
    ConfigurationError
        With its mistakes, and those of the recipes it names.
    UsageError
        When it is a folder.
    """
    if path.is_dir():
        inside = [path / name for name in (SITE_FILE, TICKET_FILE) if (path / name).is_file()]
        remedy = f"Give the file: nightmill check {inside[0]}" if inside else "Give a recipe, ticket or site file."
        raise UsageError(f"{path} is a folder.", remedy)
    document = load(path)
    values = document.values if isinstance(document.values, dict) else {}
    if path.name == SITE_FILE or "site" in values:
        return _site(path)
    if "stages" in values or "name" in values or isinstance(values.get("recipe"), int):
        return gaps(load_recipe(path))
    return _ticket(document, path)


def _site(path: Path) -> list[str]:
    load_settings(path)
    if path.name != SITE_FILE:
        return [f"its recipes are looked for once it is the {SITE_FILE} of a site"]
    check_recipes(open_site(path.parent))
    return []


def _ticket(document: Document, path: Path) -> list[str]:
    if not document.values and path.name != TICKET_FILE:
        text = f"holds nothing; a recipe begins with recipe: 1, a site with site: 1; a ticket is named {TICKET_FILE}"
        raise ConfigurationError([Mistake(str(path), 1, "", text)])
    ticket = load_ticket(path)
    notes = [] if document.values else ["it says nothing of the job"]
    if path.name != TICKET_FILE:
        notes.append(f"a ticket is read only under the name {TICKET_FILE}, beside the captures")
    elif present := [capture.name for capture in captures_in(path.parent)]:
        check_captures(path, ticket, present)
    elif ticket.captures:
        notes.append(f"none of its captures lies beside it yet: {', '.join(ticket.captures)}")
    return notes + _recipe_of(ticket, document, path)


def _recipe_of(ticket: Ticket, document: Document, path: Path) -> list[str]:
    """A recipe that the ticket's site lacks is a mistake; a ticket in no site may yet come into one that has it."""
    if ticket.recipe is None:
        return []
    site = _site_around(path)
    try:
        found = recipe_for(site, job_name(path.parent.name), ticket.recipe) if site else find_recipe(ticket.recipe)
    except UsageError as error:
        if site is None:
            return [f"{error.text} Only a site that has {ticket.recipe}.yaml in its recipes/ can work by it."]
        raise ConfigurationError([document.mistake(("recipe",), str(error))]) from error
    load_recipe(found)
    return []


def _site_around(path: Path) -> Site | None:
    folders = path.resolve().parents
    return next((open_site(folder) for folder in folders if (folder / SITE_FILE).is_file()), None)
