"""What people see: the clip, the figures and the report page."""

from promtrack.show.clip import render_clip
from promtrack.show.figures import draw_figures
from promtrack.show.records import Measured
from promtrack.show.report import write_report

__all__ = ["Measured", "draw_figures", "render_clip", "write_report"]
