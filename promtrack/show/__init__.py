"""What people see: the clip, the figures and the report page."""

from typing import TYPE_CHECKING, Any

from promtrack.show.clip import render_clip
from promtrack.show.records import Measured
from promtrack.show.report import write_report

if TYPE_CHECKING:
    from promtrack.show.figures import draw_figures

__all__ = ["Measured", "draw_figures", "render_clip", "write_report"]


def __getattr__(name: str) -> Any:
    if (
        name == "draw_figures"
    ):  # matplotlib takes half a second to load: while the clip is made, and only where it is used
        from promtrack.show.figures import draw_figures

        return draw_figures
    raise AttributeError(f"module 'promtrack.show' has no attribute '{name}'")
