"""Physical simulator with known truth: demo data, tests, what-if pictures.

From Python, for instance in a test of another stage::

    from pathlib import Path
    from fourlight.simulate.render import simulate
    from fourlight.simulate.scene import loads

    scene = loads('''
    seed = 3
    [camera]
    width_px = 300
    height_px = 200
    [stars]
    count = 80
    [calibration]
    darks = 3
    flats = 3
    bias = 3
    [[nights]]
    count = 6
    flip_after = 3
    trail_share = 0.3
    ''')
    simulate(scene, Path("frames"))        # well below a second
    # then frames/night1/light_0001.fits ... and frames/truth/truth.json, truth.fits, stars.csv

Without files::

    from fourlight.simulate.exposure import light_frame
    from fourlight.simulate.light import throughput
    from fourlight.simulate.plan import plan_lights
    from fourlight.simulate.world import build_world

    plans = plan_lights(scene, throughput(scene))
    world = build_world(scene, plans)
    adu = light_frame(world, plans[0])      # (ny, nx) uint16; plans[0].matrix: frame pixel to truth pixel

All fields of a scene, with units and defaults, are in `scene`, `scene_camera` and `scene_sky`;
``docs/simulator.md`` tells the physics.
"""
