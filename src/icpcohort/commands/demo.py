"""Demo: the simulated studies, what each can be asked for, and the settings of its own."""

import hashlib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import icpcohort
from icpcohort.commands.new import text_of_checkout
from icpcohort.contracts import atomic_write

# What each study can be asked for, and what it has when it is not asked
OFFERED: dict[str, dict[str, Any]] = {
    "tbi": {
        "patients": 120,
        "waveforms": 14,
        "waveform_hours": (12.0, 24.0),
        "numeric_hours": (36.0, 96.0),
        "numeric_tier": "mixed",
        "seed": 20,
        "processes": 2,
    },
    "sah": {"patients": 40, "seed": 20},
}
WHOLE = ("signals", "derived_signals", "indices")  # a study's own entries, none of another's
FILES = ("config.yaml", "variables.yaml", "models.yaml")

Settings = dict[str, str]  # the lines of each key, from its own to the next


class NotOffered(Exception):  # noqa: N818 (what the user asked for)
    """The options do not go with each other or with the study; the text says what to do."""


@dataclass(frozen=True)
class Asked:
    """One simulated study: its options by name, and the text of each file of settings."""

    like: str
    options: Mapping[str, Any]
    texts: Mapping[str, str]


def asked(like: str, options: Mapping[str, Any], *, repository: Path) -> Asked:
    """Return what is to be simulated.

    Parameters
    ----------
    like : str
        A name of `OFFERED`.
    options : mapping
        By name; None where it was not asked for. What is not in `OFFERED` is passed over.
    repository : Path
        The project's checkout.

    Raises
    ------
    NotOffered, new.NoCheckout
    """
    offered = OFFERED[like]
    for name in OFFERED["tbi"]:
        if options[name] is not None and name not in offered:
            raise NotOffered(
                f"{_option(name)}: the study like {like} has none; leave it out, it takes "
                f"{', '.join(map(_option, offered))}"
            )
    whole = {
        name: default if options[name] is None else options[name]
        for name, default in offered.items()
    }
    _refuse_contradictions(whole)
    return Asked(like, whole, {} if like == "tbi" else texts(like, repository=repository))


def _option(name: str) -> str:
    return f"--{name.replace('_', '-')}"


def _refuse_contradictions(options: Mapping[str, Any]) -> None:
    for name in ("waveform_hours", "numeric_hours"):
        shortest, longest = options.get(name, (0, 0))
        if shortest > longest:
            raise NotOffered(
                f"{_option(name)}: {shortest:g} is longer than {longest:g}; "
                "write the shortest first"
            )
    if options["patients"] < 1 or options.get("processes", 1) < 1:
        counts = " and ".join(_option(n) for n in ("patients", "processes") if n in options)
        raise NotOffered(f"{counts}: write at least 1")
    if options.get("waveforms", 0) > options["patients"]:
        raise NotOffered(
            f"--waveforms: {options['waveforms']} of {options['patients']} patients; write at "
            f"most {options['patients']}"
        )


def made_by(study: Asked) -> dict[str, Any]:
    """Return what decides every byte of the cohort; the number of processes does not."""
    made: dict[str, Any] = {"version": icpcohort.__version__}
    for name, value in study.options.items():
        if name != "processes":
            made[name] = list(value) if isinstance(value, tuple | list) else value
    if study.texts:
        settings = "".join(study.texts.values()).encode()
        made |= {"like": study.like, "settings": hashlib.sha256(settings).hexdigest()}
    return made


def write(study: Asked, folder: Path, *, progress: Callable[[str], None]) -> None:
    """Simulate a study into a folder, its settings included where it has its own."""
    from icpcohort import simulate  # loads the signal libraries

    options = study.options
    if study.like == "tbi":
        simulate.write_cohort(
            folder,
            n_patients=options["patients"],
            n_waveforms=options["waveforms"],
            waveform_h=tuple(options["waveform_hours"]),
            numeric_h=tuple(options["numeric_hours"]),
            numeric_tier=options["numeric_tier"],
            seed=options["seed"],
            n_processes=options["processes"],
            progress=progress,
        )
    else:
        simulate.sah.write_cohort(
            folder, n_patients=options["patients"], seed=options["seed"], progress=progress
        )
    for name, text in study.texts.items():
        atomic_write.write(folder / name, text)


# --- settings ----------------------------------------------------------------------------


def texts(like: str, *, repository: Path) -> dict[str, str]:
    """Return the text of each file in the study's `config` folder by its path.

    Parameters
    ----------
    like : str
        A folder of `workflow/demos`.
    repository : Path
        The project's checkout: `config/config.yaml` is the published one but for the settings
        that the demonstration states.

    Raises
    ------
    new.NoCheckout
        If a file is not there.
    """
    folder = repository / "workflow" / "demos" / like
    config, variables, models = (text_of_checkout(folder / name) for name in FILES)
    published = text_of_checkout(repository / "config" / "config.yaml")
    written = (changed(published, by=config), variables, models)
    return {f"config/{name}": text for name, text in zip(FILES, written, strict=True)}


def changed(published: str, *, by: str) -> str:
    """Return settings with the lines of some of them replaced; all comments stay.

    Parameters
    ----------
    published : str
        A `config.yaml`: sections at the margin, their settings two spaces in.
    by : str
        Sections of the same form. Those of `WHOLE`, and sections that are new, stand as they
        are written here; of the others each setting replaces the one of its name, or is added
        at the section's end.
    """
    head, sections = _parts(published, margin="")
    _, changes = _parts(by, margin="")
    for name, section in changes.items():
        if name in WHOLE or name not in sections:
            sections[name] = section.rstrip() + "\n\n"
        else:
            sections[name] = _with_settings(sections[name], section)
    return (head + "".join(sections.values())).rstrip() + "\n"


def _with_settings(section: str, changes: str) -> str:
    heading, settings = _parts(section, margin="  ")
    _, changed_settings = _parts(changes, margin="  ")
    lines = {
        name: text.rstrip() + "\n" for name, text in {**settings, **changed_settings}.items()
    }
    return heading + "".join(lines.values()) + "\n"


def _parts(text: str, *, margin: str) -> tuple[str, Settings]:
    """Return what stands before the first key at this margin, and the lines of each key."""
    before, *rest = re.split(rf"(?m)^(?={margin}[a-z][a-z0-9_]*:)", text)
    return before, {part.split(":")[0].strip(): part for part in rest}
