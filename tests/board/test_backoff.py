"""The delay between attempts."""

from matbridge.board.backoff import FIRST_DELAY_S, LONGEST_DELAY_S, next_delay_s


def test_it_doubles_up_to_the_cap_and_stays_there() -> None:
    assert [next_delay_s(attempt) for attempt in range(6)] == [0.1, 0.2, 0.4, 0.8, 1.0, 1.0]
    assert next_delay_s(0) == FIRST_DELAY_S
    assert next_delay_s(10**6) == LONGEST_DELAY_S
