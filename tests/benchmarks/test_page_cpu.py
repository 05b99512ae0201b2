"""CPU time of ``tsfit report`` and of the demonstration, as ratios to a Python that only loads matplotlib."""

import pytest

from tsfit.demo import DRIVERS, LOG, sample_data


@pytest.fixture(scope="module")
def reference(cpu_seconds):
    return cpu_seconds("-c", "import matplotlib.figure")


@pytest.fixture(scope="module")
def played(request, tmp_path_factory, cpu_seconds):
    """The folder of a demonstration, and what it cost; where nothing is measured, that of all tests."""
    if not request.config.getoption("benchmark_only"):
        return request.getfixturevalue("demonstration") / "tsfit-demo", float("nan")
    folder = tmp_path_factory.mktemp("demo") / "played"
    return folder, cpu_seconds("-m", "tsfit", "demo", "--folder", str(folder), of=1)


def test_cpu_of_the_demonstration(benchmark, played, reference):
    benchmark.extra_info.update(cpu_s=played[1], ratio_to_matplotlib=played[1] / reference)
    benchmark.pedantic(lambda: None, rounds=1)


def test_cpu_of_the_page_of_the_whole_demonstration(benchmark, played, reference, cpu_seconds, measured, tmp_path):
    folder, _ = played
    files = [f"{stem}-{kind}.json" for kind in ("fit", "check") for stem in DRIVERS]
    parts = [*(folder / file for file in [*files, "compare.json"]), sample_data() / LOG][: None if measured else 1]
    command = ["-m", "tsfit", "report", *map(str, parts), "--replace", "-o", str(tmp_path / "page.html")]
    seconds = benchmark.pedantic(cpu_seconds, args=command, rounds=1)
    benchmark.extra_info.update(cpu_s=seconds, ratio_to_matplotlib=seconds / reference)
