"""One table of all ratios at the end of ``pytest tests/benchmarks --benchmark-only``, with the figures to reach."""

GOALS = {
    ("test_one_model_against_scipy_alone", "times scipy"): "at most 2.5",
    ("test_one_model_against_the_impedance_package", "times faster"): "at least 100",
    ("test_one_model_against_pyimpspec", "times faster"): "at least 10",
    ("test_whole_search_against_pyimpspec", "times faster"): "at least 100",
    ("test_whole_search_against_one_model", "seconds"): "at most 0.5",
    ("test_thousand_closed_boxes", "times faster"): "at least 1000",
    ("test_points", "exponent with points"): "at most 1",
    ("test_states", "exponent with states"): "",
    ("test_boxes", "exponent with boxes"): "at most 1",
    ("test_log_entries", "exponent with log entries"): "at most 1",
    ("test_batch", "exponent with drivers"): "1, at full size",
    ("test_batch", "times faster on two processes"): "2, on two free cores at full size",
}


def pytest_terminal_summary(terminalreporter, config):
    """Print what the benchmarks put into their extra_info, a line for each."""
    session = getattr(config, "_benchmarksession", None)
    if session is None or not config.getoption("benchmark_only"):
        return
    rows = [
        (bench.name, what, str(value), GOALS.get((bench.name, what), ""))
        for bench in session.benchmarks
        for what, value in bench.extra_info.items()
    ]
    if rows:
        rows.insert(0, ("benchmark", "ratio", "found", "to reach"))
        widths = [max(len(row[column]) for row in rows) for column in range(3)]
        terminalreporter.section("ratios")
        for *cells, goal in rows:
            left = "  ".join(cell.ljust(width) for cell, width in zip(cells, widths, strict=True))
            terminalreporter.write_line(f"{left}  {goal}".rstrip())
