"""What people see: everything measured in; the clip, the figures and the report page out.

Read `records` and `findings` first, then `studio`, `clip`, `figures` and `report`. matplotlib, which takes
long to load, is loaded when figures are drawn.
"""

from promtrack.show.clip import render_clip
from promtrack.show.figures import draw_figures
from promtrack.show.records import Measured
from promtrack.show.report import write_report

__all__ = ["Measured", "draw_figures", "render_clip", "write_report"]
