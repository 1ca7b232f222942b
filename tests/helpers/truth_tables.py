"""Reading of the published tables below ``tests/truth/``."""

import csv
from pathlib import Path

FOLDER = Path(__file__).parents[1] / "truth"


def truth_rows(name):
    """Return a table's rows as dictionaries of text; its lines with # are its source."""
    with (FOLDER / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))
