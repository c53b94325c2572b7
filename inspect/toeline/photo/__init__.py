"""Reading photos safely, and whether they are fit to measure."""

from toeline.photo.fitness import check_bead, check_photo, check_strips
from toeline.photo.reading import find_photos, read_photo
from toeline.photo.result import CameraTag, Photo

__all__ = ["CameraTag", "Photo", "check_bead", "check_photo", "check_strips", "find_photos", "read_photo"]
