"""Work in order on any number of threads, bounded, and stopped by errors."""

import itertools
import os
import threading
import time

import pytest

from fourlight.engine import in_order, thread_count


@pytest.mark.parametrize("threads", [1, 2, 7])
def test_results_come_in_the_order_of_the_items(threads):
    def work(k):
        time.sleep(0.001 * (k % 3))
        return k * k

    assert list(in_order(work, range(40), threads)) == [k * k for k in range(40)]
    assert list(in_order(work, [], threads)) == []


@pytest.mark.parametrize("threads", [1, 3])
def test_no_more_is_taken_than_is_under_way(threads):
    """An endless source with a slow consumer: memory stays bounded."""
    taken = itertools.count()
    seen = []

    def items():
        for k in taken:
            seen.append(k)
            yield k

    found = in_order(lambda k: k, items(), threads)
    for expected in range(10):
        assert next(found) == expected
        assert len(seen) <= expected + 1 + 2 * threads
    found.close()


@pytest.mark.parametrize("threads", [1, 3])
def test_an_error_reaches_the_caller_and_stops_the_rest(threads):
    done = []

    def work(k):
        if k == 5:
            raise ZeroDivisionError
        done.append(k)
        return k

    found = in_order(work, range(1000), threads)
    assert list(itertools.islice(found, 5)) == [0, 1, 2, 3, 4]
    with pytest.raises(ZeroDivisionError):
        next(found)
    assert len(done) < 5 + 3 * threads


def test_threads_are_used_and_end():
    before = threading.active_count()
    names = set()

    def work(k):
        names.add(threading.get_ident())
        time.sleep(0.01)
        return k

    list(in_order(work, range(12), 3))
    assert 1 < len(names) <= 3
    assert threading.active_count() == before


def test_number_of_threads():
    assert thread_count(5) == 5
    assert 1 <= thread_count(0) <= (os.cpu_count() or 1)
