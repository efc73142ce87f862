"""A pinhole camera that looks from one place to another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Row = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Camera:
    """eye, target, up: world metres. fov: vertical field of view in degrees. Size in pixels.

    The camera frame is the usual picture one: x to the right, y down, z away from the lens.
    Pixel (0, 0) is the centre of the top left pixel. Raises ValueError for a camera that cannot
    see: eye on target, `up` along the line of sight, no pixels, or fov outside 1..170 degrees.
    """

    eye: Row = (0.0, 0.55, 1.25)
    target: Row = (0.0, 0.22, 0.30)
    up: Row = (0.0, 1.0, 0.0)
    fov: float = 42.0
    width: int = 640
    height: int = 360

    def __post_init__(self) -> None:
        gaze = np.subtract(self.target, self.eye)
        if np.linalg.norm(np.cross(gaze, self.up)) < 1e-9:
            raise ValueError("the camera's up direction lies along its line of sight")
        if self.width < 1 or self.height < 1 or not 1.0 <= self.fov <= 170.0:
            raise ValueError("the camera needs pixels and a field of view of 1 to 170 degrees")

    @property
    def focal_px(self) -> float:
        """Focal length in pixels, the same in both directions."""
        return self.height / 2.0 / float(np.tan(np.radians(self.fov) / 2.0))

    @property
    def matrix(self) -> Array:
        """The intrinsic matrix (3,3), principal point at the centre of the picture."""
        f = self.focal_px
        return np.array(
            [[f, 0.0, (self.width - 1) / 2.0], [0.0, f, (self.height - 1) / 2.0], [0.0, 0.0, 1.0]]
        )

    @property
    def rotation(self) -> Array:
        """World to camera rotation (3,3): rows are the camera's x, y, z in the world."""
        z = np.subtract(self.target, self.eye)
        z = z / np.linalg.norm(z)
        x = np.cross(z, self.up)
        x = x / np.linalg.norm(x)
        return np.stack([x, np.cross(z, x), z])

    def to_camera(self, points: Array) -> Array:
        """World points (..., 3) in the camera frame, metres."""
        moved: Array = (np.asarray(points, dtype=np.float64) - self.eye) @ self.rotation.T
        return moved

    def project(self, points: Array) -> tuple[Array, Array]:
        """Pixels (..., 2) and depths (...,) in metres along the line of sight.

        Points at or behind the lens have depth <= 0 and pixels that mean nothing.
        """
        seen = self.to_camera(points)
        depth = seen[..., 2]
        safe = np.where(np.abs(depth) < 1e-9, 1e-9, depth)
        px = seen[..., :2] * (self.focal_px / safe)[..., None]
        return px + np.array([(self.width - 1) / 2.0, (self.height - 1) / 2.0]), depth


def orbit(distance: float, above: float, around: float, target: Row, fov: float = 42.0) -> Camera:
    """A 640x360 camera `distance` metres from target, `above` and `around` it in degrees.

    Zero is level and straight in front; positive `around` moves to the subject's left.
    """
    up, side = np.radians(above), np.radians(around)
    way = np.array([np.cos(up) * np.sin(side), np.sin(up), np.cos(up) * np.cos(side)])
    eye = np.asarray(target) + distance * way
    return Camera(eye=(float(eye[0]), float(eye[1]), float(eye[2])), target=target, fov=fov)
