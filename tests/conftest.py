"""Own what holds for every test of the project: one that does not run has not passed."""

import pytest
from hypothesis import HealthCheck, settings

# A loaded machine makes nothing fail: examples are the same each time, however long they take.
settings.register_profile(
    "steady", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("steady")

_UNPROVEN = ("skipped", "xfailed", "xpassed")


def _unproven(terminal: pytest.TerminalReporter) -> list[str]:
    reports = [report for state in _UNPROVEN for report in terminal.stats.get(state, [])]
    return sorted({report.nodeid for report in reports})


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Name the tests that were skipped or expected to fail."""
    names = _unproven(terminalreporter)
    if names:
        terminalreporter.section("skipped or expected to fail: the suite does not pass", red=True)
        for name in names:
            terminalreporter.line(name)


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """Fail a session that passed only because tests were skipped or expected to fail."""
    terminal = session.config.pluginmanager.get_plugin("terminalreporter")
    if exitstatus == pytest.ExitCode.OK and _unproven(terminal):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
