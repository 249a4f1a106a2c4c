"""The demo's box as the job that plays it wants it."""

from __future__ import annotations

from pathlib import Path

from mendbay.case.records import Bay
from mendbay.files.tree import Kind
from mendbay.jobs.events import StepProgress, Tell
from mendbay.jobs.play_demo import Box
from mendbay.outlets.scenario import story
from mendbay.outlets.scenario.demo import make_scenario

CONDITIONS = (
    "board burnt by a wrong adapter, mended on this bench; weak and refused sectors",
    "fell behind weeks ago; a scratched region",
)
ADAPTERS = ("bench port A", "bench port B")


def build_box(folder: Path, seed: int, tell: Tell) -> Box:
    """Makes the demo's box in `folder`.

    Raises:
        ToolMissing, DestinationError: as `make_scenario`.
    """

    def progress(what: str, share: float) -> None:
        tell(StepProgress("making the box:", int(100 * share), 100, what))

    made = make_scenario(folder, seed, progress)
    labels = ("1", "2")
    return Box(
        customer=story.STUDIO,
        words=f"two-bay box {story.BOX_MODEL} with its power adapter; does not start",
        wanted=tuple(path.decode() for path in made.wanted),
        bays=tuple(
            Bay(0, label, f"{story.DRIVE_MAKER} {story.DRIVE_MODEL}", serial, condition=condition)
            for label, serial, condition in zip(labels, story.SERIALS, CONDITIONS, strict=True)
        ),
        adapters=dict(zip(labels, ADAPTERS, strict=True)),
        drives=dict(zip(labels, made.drives, strict=True)),
        originals={
            path: one.newest.sha256
            for path, one in made.truth.items()
            if one.kind is Kind.FILE and one.newest is not None
        },
    )
