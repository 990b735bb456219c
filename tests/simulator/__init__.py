"""A fast camera simulator with exact truth: drilled plates on the mat, as a phone would photograph them.

scene.py     what lies on the table, and the truth about it
view.py      the camera: pose, lens, projection
solid.py     which surface of a plate the camera sees where: polygons on the mat plane
coverage.py  exact pixel coverage of polygons
render.py    linear light at each pixel, integrated over its area and blurred
phone.py     noise, mosaic, tone, sharpening, JPEG: named phones
shot.py      one photo from start to end
draw.py      random photos within stated limits
objects.py   references as flat objects: a disc, a card, a rule, a marker
disc.py      the plain blurred disc

Frames: mat mm (origin at the mat's centre, x right, y up, z towards the camera); part mm (placed on the mat by `at_mm`
and `rotate_deg`); picture px (x right, y down, pixel centres at integers).
"""
