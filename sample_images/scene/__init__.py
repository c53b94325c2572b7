"""Sample coupons whose every millimetre is known: geometry, path-traced photos, truth.

`geometry` needs numpy alone. Making pictures needs the extra `render`. On the command line, from the project's
root: `python -m sample_images.scene --help`.
"""
