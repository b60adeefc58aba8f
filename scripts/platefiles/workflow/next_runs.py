"""What the next run makes if products are deleted: with nothing new, and with another night."""

import os
from collections.abc import Collection
from dataclasses import replace

from platefiles.plan.project_plan import NO_CALIBRATORS, ProjectPlan
from platefiles.workflow.graph import Product, products_of, targets_of
from platefiles.workflow.staleness import Staleness

_NIGHT = "9999-12-31"


class NextRuns:
    """The next run of a project with and without some of its products.

    The run makes the targets that exist now; without any, those of the stage ``picture``.

    Parameters
    ----------
    plan : ProjectPlan
        The working directory must be the folder of its results.
    products : dict of str to Product
        The products of the plan.
    """

    def __init__(self, plan: ProjectPlan, products: dict[str, Product]):
        self._targets = [path for path in targets_of(plan, "all") if os.path.exists(path)]
        self._targets = self._targets or targets_of(plan, "picture")
        self._now = Staleness(products)
        self._then = Staleness(products_of(another_night(plan)))

    def nothing_new(self, without: Collection[str]) -> list[Product]:
        """Return the products that a run with nothing new makes because some are missing."""
        return self._more(self._now, without)

    def another_night(self, without: Collection[str]) -> list[Product]:
        """Return the products that a run with another night makes because some are missing.

        That run has another night in each channel. What it makes in any case does not count.
        """
        return self._more(self._then, without)

    def _more(self, products: Staleness, without: Collection[str]) -> list[Product]:
        anyway = {*products.to_make(self._targets)}
        making = products.without(without).to_make(self._targets)
        return [products.products[path] for path in making if path not in anyway]


def another_night(plan: ProjectPlan) -> ProjectPlan:
    """Return a plan with one more sub in each channel, on a night of its own.

    It is like the last sub of the channel, and has the same masters.

    Parameters
    ----------
    plan : ProjectPlan
    """
    frames, lights = list(plan.frames), dict(plan.matched.lights)
    for channel in plan.channels:
        last = plan.lights(channel)[-1]
        new = f"{last.id}_another_night"
        lights[new] = lights.get(last.id, NO_CALIBRATORS)
        start = f"{_NIGHT}T00:00:00"
        frames.append(replace(last, id=new, night=_NIGHT, start_utc=start, fingerprint=new))
    return replace(plan, frames=tuple(frames), matched=replace(plan.matched, lights=lights))
