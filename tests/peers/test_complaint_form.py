"""The questions of `probe complaint`, answered on a terminal's screen as a help desk would."""

from pathlib import Path

from lab.cluster import Cluster
from lab.scenario import Scenario
from tests.peers.tmux import Screen, screen
from tests.running import PROBE


def answer(terminal: Screen, *pairs: tuple[str, str]) -> None:
    for question, line in pairs:
        terminal.wait_for(question)
        terminal.type(line)


def test_one_plain_question_at_a_time_leads_to_the_cause(tmp_path: Path) -> None:
    """Access points of the car deck ask quay3 first, whose certificate is a test CA's."""
    home = {"HOME": str(tmp_path), "XDG_DATA_HOME": str(tmp_path / "data")}
    with (
        Cluster(Scenario.load("complaint-two-sites"), directory=tmp_path) as lab,
        screen() as terminal,
    ):
        terminal.run([str(PROBE), "complaint"], lab.plan_path.parent, home)
        answer(
            terminal,
            ("What does the screen say?", "\N{LEFT DOUBLE QUOTATION MARK}root is Not trusted"),
            ("Does it say more?", ""),
            ("What do they use?", "iphone"),
            ("What were they doing?", "2"),
            ("At which site were they?", "car deck"),
            ("Which server did they meet", ""),
            ("When was it?", ""),
            ("Can they see the certificate itself?", "no"),
        )
        status, shown = terminal.ended(), terminal.text()
    assert status == 1
    questions, _, report = shown.partition("The same in one line: probe complaint ")
    assert questions.count("?") == 8, "one question mark a question"
    assert (
        'Confirmed: quay3 serves for EAP the certificate "radius.northpier.example",\n'
        'which leads to "Dry Dock Test CA", which is not among the roots that supplicants\n'
        "have for it.\n"
    ) in report
    assert "at car deck quay3 is asked\n" in report
    assert max(map(len, shown.splitlines())) <= 80


def test_who_does_not_know_may_press_enter(tmp_path: Path) -> None:
    """Nothing but where they were: everything that is wrong in that site's order is told."""
    home = {"HOME": str(tmp_path), "XDG_DATA_HOME": str(tmp_path / "data")}
    with (
        Cluster(Scenario.load("complaint-two-sites"), directory=tmp_path) as lab,
        screen() as terminal,
    ):
        terminal.run([str(PROBE), "complaint"], lab.plan_path.parent, home)
        answer(
            terminal,
            ("What does the screen say?", ""),
            ("What do they use?", ""),
            ("What were they doing?", "joining Wi-Fi"),
            ("At which site were they?", "1"),
            ("Which server did they meet", ""),
            ("When was it?", ""),
            ("Can they see the certificate itself?", ""),
        )
        status, shown = terminal.ended(), terminal.text()
    assert status == 1
    assert "quay1 serves for EAP the certificate" in shown
    assert "quay3 serves" not in shown.partition("Found where")[0]
