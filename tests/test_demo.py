"""The demo's table of truth beside measurement."""

from promtrack.demo import _table
from promtrack.scene.judge import Judgement, KnotVerdict


def test_knots_stand_in_the_order_of_the_report_and_what_was_missed_last():
    # TRUTH  errors and pulls of the rows computed by hand: 15.9 - 16.0 is off by half of 0.2.
    knots = (KnotVerdict(40.0, 12, 9.0, 0, 0.0, 0.0), KnotVerdict(16.0, 30, 20.0, 4, 15.9, 0.2), KnotVerdict(26.0, 30, 20.0, 1, 26.1, 0.2))
    lines = list(_table(Judgement(0.1, 1.0, 0.01, knots, 0, 0, 0, ())))
    rows = [line.split(":")[0] for line in lines if "knot" in line and "km/s" in line]
    assert rows == ["knot 1", "knot 4", rows[2]]
    assert rows[2].split()[:5] == ["a", "knot", "of", "S/N", "9"]
    row = next(line for line in lines if line.startswith("knot 4"))
    assert row.split()[-6:] == ["16.00", "15.90", "±", "0.20", "−0.10", "−0.5"]
    assert len({len(line) for line in lines if line.startswith("knot ")}) == 1      # the columns stay in their places
