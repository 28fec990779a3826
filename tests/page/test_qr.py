from meterlink.page.invitation import invitation
from meterlink.page.qr import qr_lines

ADDRESS = "http://192.168.178.123:54321/join?key=wMqT_r41VKjGtGt4TU7StQ"


def test_a_code_fits_a_terminal_and_has_its_rim() -> None:
    lines = qr_lines(ADDRESS)
    assert len({len(line) for line in lines}) == 1
    assert len(lines[0]) <= 60
    assert len(lines) <= 24
    assert set(lines[0]) == {"█"}
    assert all(line.startswith("██") for line in lines)
    assert set("".join(lines)) <= set("█▀▄ ")


def test_the_corners_are_the_finder_patterns_of_the_standard() -> None:
    """ISO/IEC 18004: a ring of 7 by 7 dark modules around 3 by 3, in three corners."""
    modules = [[pixel for char in line for pixel in [char]] for line in qr_lines(ADDRESS)]
    dark = {" ": (1, 1), "▀": (0, 1), "▄": (1, 0), "█": (0, 0)}
    rows = [[dark[char][half] for char in line] for line in modules for half in (0, 1)]
    finder = [
        [1, 1, 1, 1, 1, 1, 1],
        [1, 0, 0, 0, 0, 0, 1],
        [1, 0, 1, 1, 1, 0, 1],
        [1, 0, 1, 1, 1, 0, 1],
        [1, 0, 1, 1, 1, 0, 1],
        [1, 0, 0, 0, 0, 0, 1],
        [1, 1, 1, 1, 1, 1, 1],
    ]
    assert [row[2:9] for row in rows[2:9]] == finder
    assert [row[-9:-2] for row in rows[2:9]] == finder


def test_the_terminal_invites_a_phone_only_where_one_can_come() -> None:
    here = invitation("http://127.0.0.1:8321/join?key=abc")
    assert here[0] == "Page: http://127.0.0.1:8321/join?key=abc"
    assert "--lan" in here[1]
    there = invitation(ADDRESS)
    assert there[1 : 1 + len(qr_lines(ADDRESS))] == qr_lines(ADDRESS)
    assert "unencrypted" in " ".join(there)
