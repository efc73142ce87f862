"""Renders the sample clips and any number of new variations, each with exact labels.

Everything is drawn by this project's own code; the people and places are invented.

    python sample_clips/make_clips.py                      # the shipped clips, in place
    python sample_clips/make_clips.py --variations 20 --seed 7 --out clips --faults auto

    python sample_clips/make_clips.py --variations 60 --seed 101 --landmarks --out tracked

From Python, `variation` gives a script and `frames` its pictures, without writing anything.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

HERE = Path(__file__).resolve().parent
if str(HERE.parent) not in sys.path:
    sys.path.insert(0, str(HERE.parent))

import cv2  # noqa: E402

from sample_clips.studio.encode import frame_times, write_video  # noqa: E402
from sample_clips.studio.geometry import HAND_KINDS  # noqa: E402
from sample_clips.studio.head import face_polygon  # noqa: E402
from sample_clips.studio.labels import label_document, write_labels  # noqa: E402
from sample_clips.studio.render import head_seen, render, render_moving  # noqa: E402
from sample_clips.studio.schedule import (  # noqa: E402
    FAULTS,
    schedule_activity,
    schedule_exchange,
)
from sample_clips.studio.script import ExchangeScript, Performance  # noqa: E402
from sample_clips.studio.shipped import SHIPPED, shipped_script  # noqa: E402
from sample_clips.studio.washes import schedule_wash  # noqa: E402

BY_TURNS = "by-turns"
"""For `--geometry`: even numbers of a set with the first hand mesh, odd ones with the second."""

SKIN_TONES = (1, 2, 3, 4, 5, 6)
"""From very light to very dark, see `studio.scene.Look`."""

BLURRED_OF = (-0.5, 0.0, 0.5)
"""A picture blurred by movement is made of these moments, in shares of the open shutter."""

CLEAN_SHARE = 0.35
"""Share of exchanges without a planted fault under `--faults auto`."""


Recipe = Callable[..., ExchangeScript]
"""Makes a script: always the same."""


def clip_times(script: ExchangeScript) -> NDArray[np.float64]:
    """Shape (n,): frame times of a script in seconds, uneven where its view says so."""
    rng = np.random.default_rng([script.seed, 21])
    return frame_times(script.duration_s, script.view.fps, rng, script.view.jitter)


def frames(
    script: ExchangeScript,
    first_s: float = 0.0,
    last_s: float | None = None,
    most_fps: float = float("inf"),
) -> Iterator[tuple[float, NDArray[np.uint8], NDArray[np.float64]]]:
    """The pictures of a script without encoding.

    Yields:
        time_s; the picture (h, w, 3) BGR; the true keypoints (2, 21, 2) in its pixels, axis 0
        the subject's left and right hand. Only times in [first_s, last_s) are drawn, and at most
        `most_fps` of them a second.
    """
    performance, look, view = Performance(script), script.look, script.view
    end = script.duration_s if last_s is None else last_s
    due = first_s
    for tick, time_s in enumerate(clip_times(script).tolist()):
        if not first_s <= time_s < end or time_s < due - 1e-3:
            continue
        due = time_s + 1.0 / most_fps
        if view.shutter > 0:
            open_s = view.shutter / view.fps
            times = [max(time_s + share * open_s, 0.0) for share in BLURRED_OF]
            states = [performance.state(time, tick) for time in times]
            picture, keypoints = render_moving(states, look, view.camera)
        else:
            picture, keypoints = render(performance.state(time_s, tick), look, view.camera)
        yield time_s, picture, keypoints


def true_faces(
    script: ExchangeScript, first_s: float = 0.0, last_s: float = float("inf")
) -> Iterator[tuple[float, NDArray[np.float64] | None]]:
    """Where the face is in every frame of a script in [first_s, last_s), without drawing it.

    Yields:
        time_s, as `frames` does; the face's outline (n, 2) in pixels of the (mirrored, where the
        script says so) picture, origin at the top left, or None where the camera sees no head.
    """
    performance, look, camera = Performance(script), script.look, script.view.camera
    for tick, time_s in enumerate(clip_times(script).tolist()):
        if not first_s <= time_s < last_s:
            continue
        head = performance.state(time_s, tick).head
        found = None if head is None else head_seen(head, camera)
        outline = None if found is None else face_polygon(*found, look.face)
        if outline is not None and look.mirrored:
            outline = outline * [-1.0, 1.0] + [camera.width - 1.0, 0.0]
        yield time_s, outline


def variation(
    seed: int,
    index: int,
    faults: str | Sequence[str] = "auto",
    geometry: str = "smooth",
    other_activity: float = 0.0,
) -> ExchangeScript:
    """The script of variation `index` of `seed`: always the same for the same arguments.

    Args:
        seed: names the whole set of variations.
        index: number within the set.
        faults: "auto" (about a third clean, the rest with one to three), "none", or names.
        geometry: hand geometry, "smooth" or "lofted".
        other_activity: share (0..1) of clips that show no exchange at all.

    Raises:
        ValueError: for an unknown fault.
    """
    rng = np.random.default_rng([seed, index, 31])
    name = f"var_{seed}_{index}"
    own_seed = int(rng.integers(1 << 31))
    if rng.random() < other_activity:
        return schedule_activity(np.random.default_rng(own_seed), name, own_seed, geometry)
    if faults == "auto":
        planted: tuple[str, ...] = ()
        if rng.random() >= CLEAN_SHARE:
            count = int(rng.choice([1, 2, 3], p=[0.55, 0.3, 0.15]))
            planted = tuple(str(f) for f in rng.choice(FAULTS, count, replace=False))
    elif faults == "none":
        planted = ()
    else:
        planted = tuple([faults] if isinstance(faults, str) else faults)
    return schedule_exchange(
        np.random.default_rng(own_seed), planted, name=name, seed=own_seed, hand_kind=geometry
    )


def wash_variation(
    seed: int, index: int, geometry: str = "smooth", skin_tone: int | None = None
) -> ExchangeScript:
    """The script of wash `index` of `seed`: a hand wash alone, see `studio.washes`.

    With a `skin_tone` it is the same wash by somebody with that skin. Every wash is by a
    left-handed person in three of its six tones, and every tone in every other wash: so tones,
    and left and right, can be compared on the same washes.
    """
    rng = np.random.default_rng([seed, index, 37])
    own_seed = int(rng.integers(1 << 31))
    name = f"wash_{seed}_{index}"
    left_handed = None
    if skin_tone is not None:
        name, left_handed = f"{name}_tone{skin_tone}", (index + skin_tone) % 2 == 0
    return schedule_wash(
        np.random.default_rng(own_seed), name, own_seed, geometry, skin_tone, left_handed
    )


@dataclass(frozen=True, slots=True)
class Written:
    """What was written for one clip."""

    name: str
    seconds: float
    frames: int
    megabytes: float
    took_s: float


def write_clip(script: ExchangeScript, folder: Path) -> Written:
    """Render, encode and label one script into `folder` (made if needed)."""
    cv2.setNumThreads(1)
    folder.mkdir(parents=True, exist_ok=True)
    begun = time.monotonic()
    path = folder / f"{script.name}.mp4"
    count = write_video(
        path,
        ((time_s, picture) for time_s, picture, _ in frames(script)),
        script.view.fps,
        script.view.crf,
    )
    write_labels(label_document(script), path.with_suffix(".json"))
    size = path.stat().st_size / 1e6
    return Written(script.name, script.duration_s, count, size, time.monotonic() - begun)


def write_landmarks(script: ExchangeScript, folder: Path) -> Written:
    """Draw and track one script without writing video: `NAME.landmarks.npz` and its labels.

    Training needs many recordings and only what the tracker sees of them; this keeps one
    hundredth of the bytes and skips encoding and decoding.
    """
    from review.cache import pack_track
    from review.landmarks import Sampling, track_landmarks
    from review.video import VideoInfo

    cv2.setNumThreads(1)
    folder.mkdir(parents=True, exist_ok=True)
    begun = time.monotonic()
    camera, sampling = script.view.camera, Sampling(mirrored=script.look.mirrored)
    info = VideoInfo(
        Path(f"{script.name}.mp4"), script.duration_s, script.view.fps,
        camera.width, camera.height, 0, "drawn", False, script.view.jitter > 0,
    )  # fmt: skip
    track = track_landmarks(_sampled(script, sampling.fps, sampling.max_side_px), info, sampling)
    path = folder / f"{script.name}.landmarks.npz"
    partial = path.with_name(f".{path.name}.part.npz")
    try:
        np.savez_compressed(partial, **pack_track(track))
        write_labels(label_document(script), folder / f"{script.name}.json")
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)
    size = path.stat().st_size / 1e6
    return Written(script.name, script.duration_s, len(track.time), size, time.monotonic() - begun)


def _sampled(
    script: ExchangeScript, fps: float, max_side_px: int
) -> Iterator[tuple[float, NDArray[np.uint8]]]:
    """At most `fps` pictures a second of a script, RGB, no side longer than `max_side_px`."""
    for time_s, picture, _ in frames(script, most_fps=fps):
        height, width = picture.shape[:2]
        scale = max_side_px / max(height, width)
        if scale < 1:
            size = (round(width * scale), round(height * scale))
            picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        yield time_s, cv2.cvtColor(picture, cv2.COLOR_BGR2RGB)


def _share(text: str) -> float:
    value = float(text)
    if not 0 <= value <= 1:
        raise argparse.ArgumentTypeError(f"must lie between 0 and 1, not {text}")
    return value


def _positive(text: str) -> int:
    value = int(text)
    if value < 1:
        raise argparse.ArgumentTypeError(f"must be 1 or more, not {text}")
    return value


def parser() -> argparse.ArgumentParser:
    """The command line."""
    made = argparse.ArgumentParser(
        prog="make_clips.py", description=__doc__.splitlines()[0] if __doc__ else None
    )
    made.add_argument("--variations", type=_positive, metavar="N", help="render N new clips")
    made.add_argument("--seed", type=int, default=1, help="seed of the variations (default 1)")
    made.add_argument("--first", type=int, default=0, help="number of the first variation")
    made.add_argument("--out", type=Path, help="folder to write to (default: sample_clips)")
    made.add_argument("--workers", type=_positive, default=1, help="processes (default 1)")
    made.add_argument(
        "--faults", default="auto", help=f"auto, none, or one of: {', '.join(FAULTS)}"
    )
    made.add_argument(
        "--geometry", choices=(*HAND_KINDS, BY_TURNS), default=HAND_KINDS[0],
        help=f"hand mesh (default {HAND_KINDS[0]})",
    )  # fmt: skip
    made.add_argument(
        "--smallest", type=_positive, metavar="K",
        help="with --variations: only the K with the fewest pixels, the quickest to draw",
    )  # fmt: skip
    made.add_argument(
        "--other-activity", type=_share, default=0.0, metavar="FRACTION",
        help="share of clips that show no exchange (default 0)",
    )  # fmt: skip
    made.add_argument(
        "--washes", action="store_true",
        help="with --variations: hand washes alone, from nearer and higher cameras",
    )  # fmt: skip
    made.add_argument(
        "--each-skin-tone", action="store_true",
        help="with --washes: each wash in all six skin tones, half of them left-handed",
    )  # fmt: skip
    made.add_argument(
        "--landmarks", action="store_true",
        help="with --variations: keep what the tracker sees instead of video (for training)",
    )  # fmt: skip
    made.add_argument("--only", choices=sorted(SHIPPED), help="only this shipped clip")
    made.add_argument("--list", action="store_true", help="say what would be rendered, and stop")
    return made


def _describe(script: ExchangeScript) -> str:
    camera = script.view.camera
    faults = ", ".join(script.faults) or "no planted fault"
    return (
        f"{script.name}: {script.kind}, {script.duration_s:.1f} s, {camera.width}x{camera.height} "
        f"at {script.view.fps:g}/s, skin tone {script.look.skin_tone}, {faults}"
    )


def drawn_pixels(script: ExchangeScript, landmarks: bool = False) -> float:
    """Pixels in all pictures of a script: about what drawing it costs.

    With `landmarks` only those that are drawn for the tracker count, one blurred by movement as
    those that it is made of.
    """
    camera, view = script.view.camera, script.view
    pictures = view.fps
    if landmarks:
        from review.landmarks import Sampling

        pictures = min(view.fps, Sampling().fps) * (len(BLURRED_OF) if view.shutter > 0 else 1)
    return script.duration_s * pictures * camera.width * camera.height


def recipes_asked_for(given: argparse.Namespace) -> list[Recipe]:
    """What makes each script that a command line names, in the order of their numbers or names.

    Recipes and not scripts, because those hold functions made on the way and can not be handed to
    another process.
    """
    if not given.variations:
        return [partial(shipped_script, n) for n in ([given.only] if given.only else SHIPPED)]
    recipes: list[Recipe] = []
    for index in range(given.first, given.first + given.variations):
        turns = given.geometry == BY_TURNS
        geometry = HAND_KINDS[index % len(HAND_KINDS)] if turns else given.geometry
        recipes.append(
            partial(wash_variation, given.seed, index, geometry)
            if given.washes
            else partial(variation, given.seed, index, given.faults, geometry, given.other_activity)
        )
    if given.smallest:
        pixels = [drawn_pixels(recipe(), given.landmarks) for recipe in recipes]
        kept = np.sort(np.argsort(pixels, kind="stable")[: given.smallest])
        recipes = [recipes[number] for number in kept.tolist()]
    if given.each_skin_tone:
        recipes = [partial(recipe, skin_tone=tone) for recipe in recipes for tone in SKIN_TONES]
    return recipes


def _follow(recipe: Recipe, folder: Path, landmarks: bool) -> Written:
    """Made where it is drawn: in the process that does the work."""
    return (write_landmarks if landmarks else write_clip)(recipe(), folder)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    given = parser().parse_args(arguments)
    if given.faults not in ("auto", "none", *FAULTS):
        parser().error(f"--faults: no fault called {given.faults!r}")
    if given.each_skin_tone and not (given.washes and given.variations):
        parser().error("--each-skin-tone: say --variations N --washes as well")
    recipes = recipes_asked_for(given)
    if given.list:
        for recipe in recipes:
            print(_describe(recipe()))
        return 0
    folder, landmarks = given.out or HERE, bool(given.variations and given.landmarks)
    begun = time.monotonic()
    with ProcessPoolExecutor(max_workers=min(given.workers, len(recipes))) as pool:
        waiting: list[Future[Written]] = [
            pool.submit(_follow, recipe, folder, landmarks) for recipe in recipes
        ]
        for done, future in enumerate(as_completed(waiting), start=1):
            result = future.result()
            print(
                f"[{done}/{len(recipes)}] {result.name}: {result.seconds:.1f} s, {result.frames} "
                f"frames, {result.megabytes:.2f} MB, rendered in {result.took_s:.0f} s "
                f"({time.monotonic() - begun:.0f} s so far)",
                flush=True,
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
