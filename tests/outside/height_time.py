"""Reads the published height-time data in tests/outside/data."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np

DATA = Path(__file__).parent / "data"
REFERENCE = json.loads((DATA / "ht_reference.json").read_text(encoding="utf-8"))


def column_of(name: str, column: str) -> np.ndarray:
    """One numerical column of a data file whose comments begin with '#'."""
    lines = [
        line for line in (DATA / name).read_text(encoding="utf-8").splitlines() if not line.startswith("#")
    ]
    return np.array([float(row[column]) for row in csv.DictReader(lines)])


def stamps_of(name: str) -> list[str]:
    lines = [
        line for line in (DATA / name).read_text(encoding="utf-8").splitlines() if not line.startswith("#")
    ]
    return [row["utc"] for row in csv.DictReader(lines)]


def linear_exponential(time_s, c0, tau, c1, c2):
    """Height c0 exp(t / tau) + c1 t + c2."""
    return c0 * np.exp(time_s / tau) + c1 * time_s + c2
