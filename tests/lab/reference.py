"""Reference figures from outside the project; each file names its sources."""

import csv
import json
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parents[2] / "fixtures" / "reference"


def table(name: str) -> list[dict[str, str]]:
    """A CSV file of reference figures, its comment lines left out."""
    text = (FOLDER / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in text if not line.startswith("#")))


def facts(name: str) -> Any:
    """A JSON file of reference figures."""
    return json.loads((FOLDER / name).read_text(encoding="utf-8"))
