"""Sample coupons whose every millimetre is known: geometry, path-traced photos, truth.

Run from the project's root: `python -m sample_images.scene samples|evaluation|training|strewn [FOLDER] --help`.

* `geometry` alone needs only numpy: `make_case(seed, ...)` gives exact strip corners and toe points, no picture.
* `coupon.make_coupon(seed, ...)` gives a whole coupon as numbers: settings, bead, droplets, strips, camera, phone.
* `render.render(coupon, ...)` path-traces it (extra `render`; a GPU, or libLLVM named by `DRJIT_LIBLLVM_PATH`).
* `phone.develop` makes the phone's picture of it, `truth.truth` everything known about it, as JSON.
* `training.training_picture(coupon)` gives a small picture with a class for every pixel, of `training_coupon(seed)` or of a `strewn` one.

Photos and masks come out alike everywhere but for sampling noise; geometry and truth are the same everywhere.
"""
