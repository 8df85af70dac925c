"""What people see: everything measured in; the clip, the figures and the report page out.

Read records, curves (what is drawn of a fit), quoted (values), findings with verdict (words). The clip: clip,
studio (what is settled first), timing, view with region_of_interest and disc_view, tone with radial_profile,
overlay with layout, bodies, scale_bar and cards, canvas with palette, encode. Then figures. Pages: report
with report_depth and markup, season_page, mark_page. matplotlib, which takes long to load, is loaded when
figures are drawn.
"""

from promtrack.show.clip import render_clip
from promtrack.show.figures import draw_figures
from promtrack.show.records import Measured
from promtrack.show.report import write_report

__all__ = ["Measured", "draw_figures", "render_clip", "write_report"]
