"""How tests share workers; property tests draw the same cases, and slowness fails none."""

from hypothesis import settings
from xdist.scheduler import LoadScopeScheduling

settings.register_profile("project", deadline=None, derandomize=True)
settings.load_profile("project")

SLURM, WORKFLOW, FAULTS = "tests/workflow/test_slurm.py", "tests/workflow/", "test_faults.py"


class Together(LoadScopeScheduling):  # type: ignore[misc]
    """Gives a file to one worker, and all that need the study that ran whole to one.

    The mark `xdist_group` of pytest-xdist 3.8 is without effect in pytest 9.2.
    """

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.split("::")[0]
        return WORKFLOW if file.startswith(WORKFLOW) and file != SLURM else file


def pytest_xdist_make_scheduler(config, log):
    return Together(config, log)


def pytest_collection_modifyitems(items):
    """Begin with what waits more than it works, then with what takes longest."""
    first = (SLURM, WORKFLOW, FAULTS)
    items.sort(key=lambda item: [start not in item.nodeid for start in first])
