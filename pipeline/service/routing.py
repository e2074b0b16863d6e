"""Which recipe a job gets: its ticket's, else by its name, else the site's."""

from __future__ import annotations

import re
from fnmatch import fnmatchcase
from pathlib import Path

from pipeline.document import Location, load
from pipeline.errors import ConfigurationError, Mistake, UsageError
from pipeline.recipe import find_recipe, load_recipe
from pipeline.site import SITE_FILE, Site
from pipeline.storage import write_whole

CHOSEN_RECIPE = "recipe.yaml"
_NAME = re.compile(r"[\w][\w .-]*")


def recipe_for(site: Site, job: str, ticket_recipe: str | None) -> Path:
    """The recipe's file.

    Raises
    ------
    UsageError
        When the ticket names one that does not exist. A ticket gives names, never paths.
    """
    chosen = site.work / job / CHOSEN_RECIPE
    if chosen.is_file():
        return chosen
    if ticket_recipe is not None:
        if not _NAME.fullmatch(ticket_recipe):
            raise UsageError(f"The ticket's recipe {ticket_recipe!r} is not a name.", "Write the name of a recipe.")
        return _named(site, ticket_recipe)
    matching = (route.recipe for route in site.settings.routes if fnmatchcase(job, route.match))
    return _named(site, next(matching, site.settings.recipe))


def check_recipes(site: Site) -> None:
    """Raise ConfigurationError with every recipe that ``site.yaml`` names and that cannot be used."""
    document = load(site.root / SITE_FILE)
    named: dict[Location, str] = {("recipe",): site.settings.recipe}
    named |= {("routes", i, "recipe"): route.recipe for i, route in enumerate(site.settings.routes)}
    mistakes: list[Mistake] = []
    for place, name in named.items():
        try:
            load_recipe(_named(site, name))
        except ConfigurationError as error:
            mistakes += error.mistakes
        except UsageError as error:
            mistakes.append(document.mistake(place, str(error)))
    if mistakes:
        raise ConfigurationError(list(dict.fromkeys(mistakes)))


def choose_recipe(site: Site, job: str, recipe: str) -> None:
    """From now on this recipe for the job: a copy of it, so that it may be changed or go away."""
    file = _named(site, recipe)
    load_recipe(file)
    (site.work / job).mkdir(exist_ok=True)
    write_whole(site.work / job / CHOSEN_RECIPE, file.read_bytes())


def _named(site: Site, name: str) -> Path:
    for file in (site.recipes / f"{name}.yaml", site.root / name):
        if file.is_file():
            return file
    return find_recipe(name)
