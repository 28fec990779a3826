from pathlib import Path

from meterlink.page.server import PageServer, code_lines, invitation

ADDRESS = "http://192.168.178.123:54321/join?key=wMqT_r41VKjGtGt4TU7StQ"


def test_a_code_fits_a_terminal_and_has_its_rim() -> None:
    lines = code_lines(ADDRESS)
    assert len({len(line) for line in lines}) == 1
    assert len(lines[0]) <= 60
    assert len(lines) <= 24
    assert set(lines[0]) == {"█"}
    assert all(line.startswith("██") for line in lines[:-1])
    assert set(lines[-1]) == {"▀"}  # an odd number of rows
    assert set("".join(lines)) <= set("█▀▄ ")


def test_the_corners_are_the_finder_patterns_of_the_standard() -> None:
    """ISO/IEC 18004: a ring of 7 by 7 dark modules around 3 by 3, in three corners."""
    dark = {" ": (1, 1), "▀": (0, 1), "▄": (1, 0), "█": (0, 0)}
    rows = [[dark[char][half] for char in line] for line in code_lines(ADDRESS) for half in (0, 1)]
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


def test_the_terminal_invites_a_phone_only_where_one_can_come(tmp_path: Path) -> None:
    with PageServer(folder=tmp_path) as page:
        here = invitation(page)
        assert here[0] == f"Page: {page.address}"
        assert "--lan" in here[1]
        with PageServer(folder=tmp_path) as moved:
            moved.address = page.address = ADDRESS
            assert invitation(page)[1 : 1 + len(code_lines(ADDRESS))] == code_lines(ADDRESS)
            assert "unencrypted" in " ".join(invitation(page))
            assert invitation(moved)[1] == "The address is a new one: scan it again."
