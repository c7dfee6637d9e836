"""Hold a crate to its profile with an independent validator, without a network.

    python tests/assurance/validate_crate.py results required|recommended

The validator (roc-validator) asks the network for the vocabulary of RO-Crate and nothing else.
Here its cache is filled with a copy of that: data/ro-crate-1.1-context.jsonld, unchanged from
w3id.org/ro/crate/1.1/context (version 1.1.0, CC0 1.0).
"""

import io
import sys
import tempfile
from pathlib import Path

import requests
from requests.adapters import BaseAdapter
from rocrate_validator import services
from rocrate_validator.models import Severity, ValidationSettings
from rocrate_validator.utils import document_loader
from rocrate_validator.utils.http import HttpRequester
from urllib3 import HTTPResponse

CONTEXT = "https://w3id.org/ro/crate/1.1/context"
COPY = Path(__file__).parent / "data" / "ro-crate-1.1-context.jsonld"
PROFILE = "workflow-run-crate-0.5"


def issues(crate: Path, *, severity: str) -> list[str]:
    """Return what the validator finds, one line per issue."""
    with tempfile.TemporaryDirectory() as cache:
        _fill(Path(cache) / "http")
        result = services.validate(
            ValidationSettings(
                rocrate_uri=str(crate),
                profile_identifier=PROFILE,
                requirement_severity=Severity[severity],
                cache_path=Path(cache) / "http",
                cache_max_age=-1,
                offline=True,
            )
        )
        HttpRequester.reset()
    return [f"{i.severity.name} {i.check.identifier} {i.violatingEntity}: {i.message}"
            for i in result.get_issues()]  # fmt: skip


class _FromFile(BaseAdapter):
    """Answer each request with one file, as the network would."""

    def __init__(self, file: Path) -> None:
        super().__init__()
        self.file = file

    def send(self, request, **_):
        response = requests.Response()
        response.status_code, response.url, response.request = 200, request.url, request
        response.headers["Content-Type"] = "application/ld+json"
        response.raw = HTTPResponse(io.BytesIO(self.file.read_bytes()), preload_content=False)
        return response

    def close(self):
        pass


def _fill(cache: Path) -> None:
    """Let the validator's own loader ask for the vocabulary once, and remember it."""
    HttpRequester.reset()
    HttpRequester.initialize_cache(cache_path=str(cache), cache_max_age=-1)
    HttpRequester().session.mount("https://", _FromFile(COPY))
    document_loader.resolve_remote_document(CONTEXT)
    HttpRequester.reset()


if __name__ == "__main__":
    crate, severity = sys.argv[1:]
    issue_lines = issues(Path(crate), severity=severity.upper())
    print("\n".join(issue_lines) or f"{crate}: keeps {PROFILE}, severity {severity}")
    sys.exit(bool(issue_lines))
