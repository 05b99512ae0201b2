"""CPU time of ``tsfit check SHEET``, as a ratio to a Python that only loads NumPy and pydantic."""


def test_cpu_of_a_lone_sheet(benchmark, cpu_seconds):
    reference = cpu_seconds("-c", "import numpy, pydantic.main", of=5)
    command = ("-m", "tsfit", "check", "sample_data/saltwit-12-sheet.toml")
    seconds = benchmark.pedantic(cpu_seconds, args=command, kwargs={"of": 5}, rounds=1)
    benchmark.extra_info.update(cpu_s=seconds, ratio_to_numpy_and_pydantic=seconds / reference)
