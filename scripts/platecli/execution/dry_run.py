"""List the jobs of a run from the plans of the projects alone."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from platecli.text.outlook import Outlook, counted_jobs
from platefiles.jobs.run_lock import RESULTS
from platefiles.workflow.makers import stages
from platefiles.workflow.shared_masters import shared_masters

_SHARED = "share_master"


def is_planned(outlooks: Iterable[Outlook], targets: Sequence[str], extra: Sequence[str]) -> bool:
    """Return whether the plans of the projects suffice for a dry run.

    Options of Snakemake may change the jobs, and some files are made only on demand; these cases
    need Snakemake.

    Parameters
    ----------
    outlooks : iterable of Outlook
    targets : sequence of str
        As for the verb `run`.
    extra : sequence of str
        Options of Snakemake.
    """
    known = [one.products for one in outlooks]
    if not known or extra:
        return False
    return all(target in stages() or any(target in one for one in known) for target in targets)


def dry_run_lines(ahead: Mapping[str, Outlook]) -> Iterator[str]:
    """Yield the number of jobs, then each job with its reason, if any.

    Parameters
    ----------
    ahead : mapping of str to Outlook
        By name of the project; the working directory must be the folder of the results.
    """
    products = {path: product for one in ahead.values() for path, product in one.products.items()}
    to_make = {product.path for one in ahead.values() for product in one.to_make}
    shared = shared_masters(RESULTS, products, to_make)
    jobs = [
        (name, replace(product, rule=_SHARED) if product.path in shared else product)
        for name, one in ahead.items()
        for product in one.to_make
    ]
    if not jobs:
        yield "Nothing new to do."
        return
    count = f"{len(jobs)} job{'' if len(jobs) == 1 else 's'}"
    yield f"To do: {count}: {counted_jobs([product for _, product in jobs])}"
    for name, product in jobs:
        why = ahead[name].causes[product.path]
        words = " ".join([product.rule.replace("_", " "), name, product.about]).rstrip()
        yield f"  {words}" + (f"  ({why})" if why else "")
