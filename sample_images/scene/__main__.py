"""`python -m sample_images.scene`: see `make`."""

from sample_images.scene.make import main

if __name__ == "__main__":
    main()
