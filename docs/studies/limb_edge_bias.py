"""How far outside the true limb the edge is found, by exposure and seeing: the choice behind
`limb.frame_limb.BURNT_BIAS`.

    python docs/studies/limb_edge_bias.py

The scene's limb is an error function with a fringe of spicules outside it. Rays are laid on the true circle,
so the mean edge offset is the bias itself.
"""

import numpy as np

from promtrack.limb.edge import edge_of, fit_rays, make_grid, unwrap
from promtrack.limb.records import Place
from promtrack.scene import SceneSpec, make_scene

print("exposure  seeing  edge  width  steepness (full scales per px)")
for exposure in (0.5, 0.88, 1.5, 3.0, 6.5, 12.0):
    for seeing in (1.5, 2.5, 4.0):
        scene = make_scene(
            SceneSpec(
                limb_arc_deg=35.0,
                frames=3,
                exposure=exposure,
                seeing_arcsec=seeing,
                seeing_variation=0.0,
                image_motion_arcsec=0.0,
                distortion_arcsec=0.0,
                transparency=0.0,
            )
        )
        t = scene.truth
        grid = make_grid(t.radius_px, 20, 24)
        zone = unwrap(scene.frame(1), Place(t.centre_x_px[1], t.centre_y_px[1], t.radius_px), grid)
        edge = edge_of(zone, grid, search_px=9.0)
        kept = fit_rays(np.radians(grid.theta_deg[zone.ray]), edge).kept
        outside = float(np.mean(edge.offset_px[kept]))
        print(
            f"{exposure:8.2f} {seeing:7.1f} {outside:6.2f} {np.median(edge.width_px[kept]):6.2f} "
            f"{np.median(edge.fall[kept]) / scene.sequence().full_scale:8.3f}"
        )
