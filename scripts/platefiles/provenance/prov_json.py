"""The record of a product as one W3C PROV document (PROV-DM, 2013; PROV-JSON, W3C submission).

Raw frames, products and pinned texts are entities; jobs are activities; the software and its
libraries are agents. Entities are named by digests, so that documents of several products of one
or of many projects can be put together: what is the same has the same name.
"""

import json
from collections.abc import Iterator
from typing import Any

from prov.constants import PROV_LABEL, PROV_LOCATION, PROV_ROLE, PROV_TYPE, PROV_VALUE, XSD_LONG
from prov.identifier import QualifiedName
from prov.model import PROV, Literal, ProvDocument

from platefiles.core.hashing import canonical, digest
from platefiles.provenance.activities import RAW, TEXT, Making, Record

_NAMESPACES = {
    name: f"urn:platelog:{name}:" for name in ("raw", "product", "text", "job", "software", "fact")
}


def prov_json(record: Record) -> str:
    """Return the PROV-JSON of a record; equal records give equal texts."""
    content = prov_document(record).serialize(format="json") or ""
    return json.dumps(json.loads(content), indent=1) + "\n"


def prov_document(record: Record) -> ProvDocument:
    """Return a record as a PROV document."""
    document = ProvDocument()
    for name, uri in _NAMESPACES.items():
        document.add_namespace(name, uri)
    for raw in record.raws.values():
        facts: dict[QualifiedName | str, Any] = {
            PROV_LABEL: raw.name,
            PROV_LOCATION: raw.name,
            PROV_TYPE: f"{raw.kind} frame",
            "fact:sha256": raw.sha256,
            "fact:size_bytes": Literal(raw.size_bytes, XSD_LONG),
        }
        document.entity(f"raw:{raw.sha256}", facts)
    names: dict[str, str] = {}
    for making in record.makings.values():
        names[making.product] = _add_making(document, making, names)
    return document


def _add_making(document: ProvDocument, making: Making, names: dict[str, str]) -> str:
    """Add a job with its product and software; return the name of the product."""
    job = json.loads(making.job)
    name = digest(canonical([making.product, making.job, making.lock, making.software]))
    product = f"product:{making.digest or name}"
    activity, agent = f"job:{name}", _add_software(document, making)
    facts: dict[QualifiedName | str, Any] = {
        PROV_LABEL: making.product,
        PROV_LOCATION: making.product,
        PROV_TYPE: "product",
    }
    if making.digest:
        facts["fact:digest"] = making.digest
        facts["fact:data"] = canonical(making.data)
    document.entity(product, facts)
    settings = canonical(job["settings"])
    document.activity(
        activity,
        other_attributes={
            PROV_LABEL: making.step,
            PROV_TYPE: making.step,
            "fact:job": digest(making.job),
            "fact:settings": settings,
            "fact:settings_digest": digest(settings),
            "fact:code": job.get("code", "unknown"),
            "fact:lock": making.lock,
            "fact:provisional": making.provisional,
        },
    )
    document.wasAssociatedWith(activity, agent)
    for role, used in _used(document, making, names):
        document.used(activity, used, other_attributes={PROV_ROLE: role})
    document.wasGeneratedBy(product, activity)
    return product


def _used(
    document: ProvDocument, making: Making, names: dict[str, str]
) -> Iterator[tuple[str, str]]:
    """Yield role and entity of each input."""
    for role, inputs in making.inputs.items():
        for given in inputs:
            if given.startswith(TEXT):
                text = making.texts[given.removeprefix(TEXT)]
                entity = f"text:{digest(text)}"
                if not _is_there(document, entity):
                    document.entity(entity, {PROV_LABEL: role, PROV_VALUE: text})
                yield role, entity
            else:
                yield role, given if given.startswith(RAW) else names[given]


def _add_software(document: ProvDocument, making: Making) -> str:
    """Add the software and its libraries, once each."""
    agent = f"software:{digest(making.creator + making.software)}"
    if not _is_there(document, agent):
        document.agent(agent, _software(making.creator))
        for library in making.software.split("; "):
            part = f"software:{library.replace(' ', '-')}"
            if not _is_there(document, part):
                document.agent(part, _software(library))
            document.actedOnBehalfOf(part, agent)
    return agent


def _software(label: str) -> dict[QualifiedName | str, Any]:
    return {PROV_LABEL: label, PROV_TYPE: PROV["SoftwareAgent"]}


def _is_there(document: ProvDocument, name: str) -> bool:
    return bool(document.get_record(document.mandatory_valid_qname(name)))
