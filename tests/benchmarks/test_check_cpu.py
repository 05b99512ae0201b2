"""CPU time of ``tsfit check SHEET``, as a ratio to a Python that only loads NumPy and pydantic."""

import resource
import subprocess
import sys
from pathlib import Path

SHEET = Path(__file__).parents[2] / "sample_data" / "saltwit-12-sheet.toml"


def cpu_seconds(*arguments: str) -> float:
    """The least of five runs, children's user and system time."""

    def one() -> float:
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, *arguments], stdout=subprocess.DEVNULL, check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    return min(one() for _ in range(5))


def test_cpu_of_a_lone_sheet(benchmark):
    reference = cpu_seconds("-c", "import numpy, pydantic.main")
    seconds = cpu_seconds("-m", "tsfit", "check", str(SHEET))
    benchmark.extra_info.update(cpu_s=seconds, ratio_to_numpy_and_pydantic=seconds / reference)
    benchmark.pedantic(cpu_seconds, args=("-m", "tsfit", "check", str(SHEET)), rounds=1)
