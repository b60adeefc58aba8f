"""New subs of a project, and the jobs of its next run."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from platecli.text.summary import Row, read_rows
from platefiles.frames.frame import Frame
from platefiles.frames.left_out import ON_PURPOSE
from platefiles.plan.project_plan import ProjectPlan
from platefiles.workflow.graph import Product, products_of, targets_of
from platefiles.workflow.reasons import OTHER_SUBS, cause
from platefiles.workflow.staleness import Staleness
from platelib.registration.sub_state import SubState


@dataclass(frozen=True)
class Outlook:
    """A project compared with its last results.

    Attributes
    ----------
    plan : ProjectPlan
    to_make : tuple of Product
        Products that a run would make, in order.
    causes : dict of str to str
        Why, by path; empty where it follows from what is above.
    new : tuple of Frame
        Lights that the table of subs does not list.
    gone : tuple of Row
        Rows of the table of subs whose file is not there any more.
    dropped : tuple of (Row, Frame)
        Rows of the table of subs whose file is there and is no light of the project any more, with
        the frame, which has the reason: excluded in the project's file, for instance.
    subs : tuple of Row
        The table of subs of the last run; none before the first.
    stale : frozenset of str
        Products that are there, but were made by another job than the plan has for them.
    products : dict of str to Product
        All products of the project, by path.
    provisional : frozenset of str
        Products that are there and are to be made again, since a raw frame was changing.
    """

    plan: ProjectPlan
    to_make: tuple[Product, ...]
    causes: dict[str, str]
    new: tuple[Frame, ...]
    gone: tuple[Row, ...]
    dropped: tuple[tuple[Row, Frame], ...]
    subs: tuple[Row, ...]
    stale: frozenset[str]
    products: dict[str, Product]
    provisional: frozenset[str] = frozenset()

    @property
    def new_by_night(self) -> dict[str, dict[str, list[Frame]]]:
        """New lights by channel and night."""
        found: dict[str, dict[str, list[Frame]]] = {}
        for channel in self.plan.channels:
            for frame in sorted(self.new, key=lambda frame: (frame.night, frame.id)):
                if frame.channel == channel:
                    found.setdefault(channel, {}).setdefault(frame.night, []).append(frame)
        return found

    def seconds(self, channel: str) -> tuple[float, float]:
        """Exposure in a channel now, and after a run in which every new sub can be used."""
        exposures = {frame.id: frame.exposure_s for frame in self.plan.lights(channel)}
        used = [
            row for row in self.subs if row["channel"] == channel and row["state"] == SubState.USED
        ]
        now = sum(float(row["exposure_s"] or 0) for row in used)
        kept = sum(exposures.get(row["id"], 0.0) for row in used)
        return now, kept + sum(f.exposure_s for f in self.new if f.channel == channel)

    def reasons(self) -> dict[str, list[str]]:
        """Jobs in words by the reason why they are done, without those that only follow."""
        found: dict[str, list[str]] = {}
        for product in self.to_make:
            why = self.causes[product.path]
            if why:
                found.setdefault(why, []).append(in_words(product))
        return found


def in_words(product: Product) -> str:
    """Return the job of a product in words: ``measure ha 2026-03-23``."""
    return f"{product.rule.replace('_', ' ')} {product.about}".strip()


def first_of(words: Sequence[str], most: int = 6) -> str:
    """Join words up to the length of a line."""
    more = f" and {len(words) - most} more" if len(words) > most else ""
    return f"{', '.join(words[:most])}{more}"


def look_ahead(plan: ProjectPlan, *targets: str) -> Outlook:
    """Compare a project with its results; nothing is written.

    Parameters
    ----------
    plan : ProjectPlan
        The working directory must be the one that its results lie in.
    *targets : str
        As for the verb `run`.
    """
    staleness = Staleness(products_of(plan, *targets))
    wanted = (path for target in targets for path in targets_of(plan, target))
    making = staleness.to_make(list(dict.fromkeys(wanted)))
    products = tuple(staleness.products[path] for path in making)
    rows = [row for row in read_rows(Path(plan.paths.subs)) if _is_whole(row)]
    lights = {frame.id: frame for frame in plan.frames if frame.role == "light"}
    listed = {row["id"] for row in rows if row["channel"]}
    new = tuple(frame for frame in lights.values() if frame.id not in listed)
    missing = [row for row in rows if row["channel"] and row["id"] not in lights]
    unused = {frame.id: frame for frame in plan.frames if frame.role == "unused"}
    gone = tuple(row for row in missing if row["id"] not in unused)
    dropped = tuple((row, unused[row["id"]]) for row in missing if row["id"] in unused)
    made = set(making)
    causes = {product.path: cause(product, staleness, made) for product in products}
    moved = {f"{row['channel']} {row.get('night', '')}": "subs gone" for row in gone}
    moved |= {
        f"{row['channel']} {row.get('night', '')}": "subs excluded"
        if frame.why in ON_PURPOSE
        else "subs no longer used"
        for row, frame in dropped
    }
    moved |= {f"{frame.channel} {frame.night}": "new subs" for frame in new}
    for product in products:
        if causes[product.path] == OTHER_SUBS:
            causes[product.path] = moved.get(product.about, OTHER_SUBS)
    known = (staleness.stale, staleness.products, staleness.provisional)
    return Outlook(plan, products, causes, new, gone, dropped, tuple(rows), *known)


def _is_whole(row: Row) -> bool:
    return all(key in row for key in ("id", "name", "channel", "state", "reason", "exposure_s"))


def counted_jobs(products: Sequence[Product]) -> str:
    """Count jobs by rule: ``measure x 2, integrate``."""
    counts: dict[str, int] = {}
    for product in products:
        name = product.rule.replace("_", " ")
        counts[name] = counts.get(name, 0) + 1
    return ", ".join(f"{name} x {n}" if n > 1 else name for name, n in counts.items())
