"""The stages, one file each. The union below is the registry: a recipe is a list of its members."""

from __future__ import annotations

from typing import Annotated, get_args

from pydantic import Field

from pipeline.stage import Stage
from pipeline.stages.alignment import Alignment
from pipeline.stages.capture_check import CaptureCheck
from pipeline.stages.clutter_removal import ClutterRemoval
from pipeline.stages.datum import Datum
from pipeline.stages.decimation import Decimation
from pipeline.stages.deviation_check import DeviationCheck
from pipeline.stages.export import Export
from pipeline.stages.hole_fill import HoleFill
from pipeline.stages.marker_removal import MarkerRemoval
from pipeline.stages.measurement import Measurement
from pipeline.stages.meshing import Meshing
from pipeline.stages.outlier_removal import OutlierRemoval
from pipeline.stages.plane_strip import PlaneStrip
from pipeline.stages.watertight_check import WatertightCheck

Stages = (
    CaptureCheck
    | OutlierRemoval
    | PlaneStrip
    | ClutterRemoval
    | Alignment
    | Meshing
    | MarkerRemoval
    | HoleFill
    | Decimation
    | Datum
    | WatertightCheck
    | Measurement
    | DeviationCheck
    | Export
)
AnyStage = Annotated[Stages, Field(discriminator="stage")]

STAGES: dict[str, type[Stage]] = {kind.model_fields["stage"].default: kind for kind in get_args(Stages)}
