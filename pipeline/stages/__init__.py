"""The stages, one file each. The union below is the registry: a recipe is a list of its members."""

from __future__ import annotations

from typing import Annotated, get_args

from pydantic import Field

from pipeline.stage import Stage
from pipeline.stages.meshing import Meshing

Stages = Meshing
AnyStage = Annotated[Stages, Field(discriminator="stage")]

STAGES: dict[str, type[Stage]] = {kind.model_fields["stage"].default: kind for kind in get_args(Stages) or (Stages,)}
