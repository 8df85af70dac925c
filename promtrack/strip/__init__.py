"""Strips: the limb laid out straight, height against angle, one strip a frame, with the backdrop removed.

In come frames, their lock, the scale and the orientation; out go a `Strip` on disk and `TimeDistance`
diagrams. Read records (axes, strips), store (the file), polar (extent, geometry, black borders), height_range
(upper edge), unwrap (resampling, the whole pass), brightness and sky_background (what is evened out), then
slit (paths).
"""

# ruff: noqa: F401 - what the room hands out
from promtrack.strip.height_range import shown_height_range
from promtrack.strip.polar import frame_to_strip, strip_geometry, strip_to_frame
from promtrack.strip.records import Strip, StripGeometry, TimeDistance
from promtrack.strip.slit import parse_path, propose_paths, time_distance, time_distances
from promtrack.strip.unwrap import unwrap
