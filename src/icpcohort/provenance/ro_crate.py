"""Crate: the account of a run as an RO-Crate, which other programs read.

Source: RO-Crate 1.1; profiles Workflow Run Crate and Process Run Crate 0.5 and Workflow
RO-Crate 1.0 (researchobject.org), whose terms are used as they stand there.
"""

import json
from pathlib import PurePosixPath
from typing import Any
from urllib.parse import quote

from icpcohort.provenance.account import Account, Recording

NAME = "ro-crate-metadata.json"
WORKFLOW = "provenance/Snakefile"
SETTINGS, PLAN = "provenance/config.yaml", "provenance/models.yaml"
VARIABLES = "provenance/variables.yaml"
SHA256 = "https://w3id.org/ro/terms/workflow-run#sha256"
CONTEXT = [
    "https://w3id.org/ro/crate/1.1/context",
    {"sha256": SHA256},  # the one term beyond it
]
CRATE = "https://w3id.org/ro/crate/1.1"
PROFILES = {
    "https://w3id.org/ro/wfrun/process/0.5": ("Process Run Crate", "0.5"),
    "https://w3id.org/ro/wfrun/workflow/0.5": ("Workflow Run Crate", "0.5"),
    "https://w3id.org/workflowhub/workflow-ro-crate/1.0": ("Workflow RO-Crate", "1.0"),
}
WORKFLOW_PROFILE = "https://bioschemas.org/profiles/ComputationalWorkflow/1.0-RELEASE"
MEDIA = {
    ".parquet": "application/vnd.apache.parquet",
    ".csv": "text/csv",
    ".html": "text/html",
    ".svg": "image/svg+xml",
    ".md": "text/markdown",
    ".yaml": "application/yaml",
    ".R": "text/x-r",
    ".dta": "application/x-stata-dta",
    ".feather": "application/vnd.apache.arrow.file",
}
CAUTION = (
    "For research on recorded data; not a medical device, and not for treatment or for "
    "choosing a patient's target. Holds data of single patients: not for sharing."
)
LICENCE = "That of the study's own data; the workflow itself is under the MIT licence."
Entity = dict[str, Any]


def as_json(account: Account) -> str:
    """Return the crate of the results folder as JSON-LD.

    Inputs lie outside the folder, so they are no files of the crate but fingerprints, each with
    its path below the study's folder.
    """
    inputs = [_table(name, digest) for name, digest in account.tables.items()]
    inputs += [_recording(recording) for recording in account.recordings]
    files = [_file(name, digest) for name, digest in account.files.items()]
    graph = [
        _descriptor(),
        _root(account, files),
        {"@id": "#licence", "@type": "CreativeWork", "name": LICENCE},
        _workflow(account, inputs),
        *_languages(account),
        *_parameters(inputs),
        _action(account, inputs, files),
        *inputs,
        *(file for file in files if file["@id"] != WORKFLOW),
        *({"@id": uri, "@type": "CreativeWork", "name": name, "version": version}
          for uri, (name, version) in PROFILES.items()),
    ]  # fmt: skip
    return (
        json.dumps({"@context": CONTEXT, "@graph": graph}, indent=1, ensure_ascii=False) + "\n"
    )


def tables_of(text: str) -> dict[str, str]:
    """Return the SHA-256 of the study's tables by name, as `as_json` wrote them.

    Raises
    ------
    ValueError, KeyError, TypeError
        If the text is no such crate.
    """
    graph = json.loads(text)["@graph"]
    return {e["name"]: e["value"] for e in graph if e["@id"].startswith("#table/")}


def _descriptor() -> Entity:
    return {
        "@id": NAME,
        "@type": "CreativeWork",
        "about": {"@id": "./"},
        "conformsTo": [
            {"@id": CRATE},
            {"@id": "https://w3id.org/workflowhub/workflow-ro-crate/1.0"},
        ],
    }


def _root(account: Account, files: list[Entity]) -> Entity:
    return {
        "@id": "./",
        "@type": "Dataset",
        "name": account.title,
        "description": f"Results of a cohort study of intracranial pressure. {CAUTION}",
        "datePublished": account.ended,
        "license": {"@id": "#licence"},
        "conformsTo": [{"@id": uri} for uri in PROFILES],
        "hasPart": [{"@id": file["@id"]} for file in files],
        "mainEntity": {"@id": WORKFLOW},
        "mentions": {"@id": "#run"},
    }


def _workflow(account: Account, inputs: list[Entity]) -> Entity:
    return {
        "@id": WORKFLOW,
        "@type": ["File", "SoftwareSourceCode", "ComputationalWorkflow"],
        "name": "icpcohort",
        "description": f"The workflow, from recordings to report; code {account.code}",
        "version": account.versions["icpcohort"],
        "license": "https://spdx.org/licenses/MIT",
        "sha256": account.files[WORKFLOW],
        "encodingFormat": "text/plain",
        "conformsTo": {"@id": WORKFLOW_PROFILE},
        "programmingLanguage": {"@id": "#snakemake"},
        "softwareRequirements": [
            {"@id": _package(name, version)} for name, version in _required(account)
        ],
        "input": [{"@id": parameter["@id"]} for parameter in _parameters(inputs)],
    }


def _required(account: Account) -> list[tuple[str, str]]:
    return [
        pair for pair in account.versions.items() if pair[0] not in ("icpcohort", "snakemake")
    ]


def _package(name: str, version: str) -> str:
    return f"#{name}-{version}"


def _languages(account: Account) -> list[Entity]:
    return [
        {
            "@id": "#snakemake",
            "@type": "ComputerLanguage",
            "name": "Snakemake",
            "alternateName": "snakemake",
            "version": account.versions["snakemake"],
            "url": "https://snakemake.github.io",
            "identifier": "https://snakemake.github.io",
        },
        *(
            {
                "@id": _package(name, version),
                "@type": "SoftwareApplication",
                "name": name,
                "softwareVersion": version,
            }
            for name, version in _required(account)
        ),
    ]


def _parameters(inputs: list[Entity]) -> list[Entity]:
    """Return what the workflow asks for: settings, plan, and each table of the study."""
    asked = [
        ("settings", "File", SETTINGS),
        ("variables", "File", VARIABLES),
        ("plan", "File", PLAN),
    ]
    asked += [
        (e["name"], "PropertyValue", e["@id"]) for e in inputs if e["@id"].startswith("#table/")
    ]
    return [
        {
            "@id": f"#parameter/{quote(name)}",
            "@type": "FormalParameter",
            "additionalType": kind,
            "name": name,
            "conformsTo": {"@id": "https://bioschemas.org/profiles/FormalParameter/1.0-RELEASE"},
            "workExample": {"@id": value_id},
        }
        for name, kind, value_id in asked
    ]  # fmt: skip


def _action(account: Account, inputs: list[Entity], files: list[Entity]) -> Entity:
    made = [file["@id"] for file in files if not file["@id"].startswith("provenance/")]
    return {
        "@id": "#run",
        "@type": "CreateAction",
        "name": "Run of the study",
        "description": account.command,
        "instrument": {"@id": WORKFLOW},
        "startTime": account.started,
        "endTime": account.ended,
        "actionStatus": "http://schema.org/CompletedActionStatus",
        "object": [
            {"@id": name} for name in (SETTINGS, VARIABLES, PLAN, *(e["@id"] for e in inputs))
        ],
        "result": [{"@id": name} for name in made],
    }


def _table(name: str, digest: str) -> Entity:
    entity = _fingerprint(f"#table/{quote(name)}", name, digest)
    return entity | {"exampleOfWork": {"@id": f"#parameter/{quote(name)}"}}


def _recording(recording: Recording) -> Entity:
    identifier = f"#recording/{quote(recording.path)}"
    return _fingerprint(identifier, recording.path, recording.sha256)


def _fingerprint(identifier: str, name: str, digest: str | None) -> Entity:
    entity = {"@id": identifier, "@type": "PropertyValue", "propertyID": SHA256, "name": name}
    return entity | {"value": digest or "could not be read"}


def _file(name: str, digest: str) -> Entity:
    entity: Entity = {"@id": quote(name), "@type": "File", "name": name, "sha256": digest}
    media = MEDIA.get(PurePosixPath(name).suffix)
    example = {SETTINGS: "settings", VARIABLES: "variables", PLAN: "plan"}.get(name)
    if name == "README.md":
        entity["about"] = {"@id": "./"}
    if example:
        entity["exampleOfWork"] = {"@id": f"#parameter/{example}"}
    return entity | ({"encodingFormat": media} if media else {})
