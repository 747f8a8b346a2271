"""JSON Schema of the four files, by kind. Pure."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from sequencer.plan.methods import Method
from sequencer.plan.models import Bench, Plan, Unit

KINDS: dict[str, type[BaseModel]] = {"plan": Plan, "unit": Unit, "bench": Bench, "method": Method}


def file_schemas() -> dict[str, dict[str, Any]]:
    """`plan`, `unit`, `bench`, `method`, each as a JSON Schema of what the TOML file holds once read."""
    return {kind: model.model_json_schema() for kind, model in KINDS.items()}
