"""promtrack: steady time-lapse clips and honest speeds of solar prominences.

The stages of a run are functions on records: `open_sequence`, `lock_limb`, `solar_view`, `unwrap`,
`measure_motion`, `render_clip`, `draw_figures` and `write_report`; `run` does them all in order.
"""

__version__ = "0.1.0"
