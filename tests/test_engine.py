"""Work in order on any number of threads, bounded, and stopped by errors."""

import itertools
import os
import platform
import threading
import time
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool

import pytest

from fourlight import engine
from fourlight.engine import Crew, as_done, at_once, give_back, held_bytes, in_order, room_bytes, thread_count
from fourlight.errors import StageError


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
@pytest.mark.parametrize("ordered", [False, True])
def test_an_error_reaches_the_caller_and_stops_the_rest(threads, ordered):
    done = []

    def work(k):
        if k == 5:
            raise ZeroDivisionError
        done.append(k)
        return k

    found = in_order(work, range(1000), threads) if ordered else as_done(work, range(1000), Crew(threads))
    if ordered:
        assert list(itertools.islice(found, 5)) == [0, 1, 2, 3, 4]
    with pytest.raises(ZeroDivisionError):
        list(found)
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


@pytest.mark.parametrize("count", [1, 2, 7])
@pytest.mark.parametrize("away", [False, True])
def test_all_results_come_whoever_makes_them(count, away):
    def work(k):
        time.sleep(0.001 * (k % 3))
        return k * k

    with ThreadPoolExecutor(count) as pool:
        crew = Crew(count, pool if away else None)
        assert crew.away == away
        assert sorted(as_done(work, range(40), crew)) == [k * k for k in range(40)]
        assert list(as_done(work, [], crew)) == []
        assert pool.submit(work, 3).result() == 9, "an executor that was given is not closed"


@pytest.mark.parametrize("count", [1, 3])
def test_what_is_done_comes_first_and_no_more_is_taken_than_is_under_way(count):
    """A first piece that takes long holds nobody up."""
    taken, rest_is_seen = [], threading.Event()

    def items():
        for k in itertools.count():
            taken.append(k)
            yield k

    def work(k):
        if k == 0 and count > 1:
            rest_is_seen.wait(20)
        return k

    found = as_done(work, items(), Crew(count))
    first = [next(found) for _ in range(6)]
    rest_is_seen.set()
    assert len(taken) <= 6 + 2 * count
    assert (0 in first) == (count == 1)
    found.close()


def test_results_that_wait_find_room(monkeypatch):
    """A crew of hundreds must not fill the memory here while the disk is slow."""
    monkeypatch.setattr(engine, "WATCH_S", 0.02)
    pool = Lost()

    def finish():
        for future in pool.futures:
            future.set_result("done")

    found = as_done(str, range(99), Crew(64, pool, finish, room=5))
    assert [next(found) for _ in range(5)] == ["done"] * 5
    assert len(pool.futures) == 5


def test_what_is_done_is_handed_over_before_an_error_ends_the_rest(monkeypatch):
    """So that it is kept for another run."""
    monkeypatch.setattr(engine, "WATCH_S", 0.02)
    pool = Lost()

    def finish():
        for k, future in enumerate(pool.futures):
            if k % 2:
                future.set_result(k)
            else:
                future.set_exception(ZeroDivisionError())

    found = as_done(str, range(99), Crew(4, pool, finish))
    assert sorted(next(found) for _ in range(4)) == [1, 3, 5, 7]
    with pytest.raises(ZeroDivisionError):
        next(found)


def test_a_pool_that_breaks_between_results_ends_the_rest_in_one_line_too():
    """It then refuses what is submitted; what is done is handed over first."""

    class Breaking(Lost):
        def submit(self, fn, /, *args, **kwargs):
            if len(self.futures) == 2:
                self.futures[0].set_result("done")
                self.futures[1].set_exception(BrokenProcessPool())
                raise BrokenProcessPool
            return super().submit(fn, *args, **kwargs)

    found = as_done(str, range(9), Crew(4, Breaking()))
    assert next(found) == "done"
    with pytest.raises(StageError, match="ended without a word"):
        next(found)


class Lost(Executor):
    """Nobody ever does what is submitted; or all of it is broken."""

    def __init__(self, error=None):
        self.error, self.futures = error, []

    def submit(self, fn, /, *args, **kwargs):
        future = Future()
        self.futures.append(future)
        if self.error:
            future.set_exception(self.error)
        return future


def test_a_crew_that_is_gone_is_missed(monkeypatch):
    monkeypatch.setattr(engine, "WATCH_S", 0.02)
    asked = []

    def watch():
        asked.append(1)
        if len(asked) == 3:
            raise StageError("cluster", None, "nobody is left", "start somebody")

    pool = Lost()
    with pytest.raises(StageError, match="nobody is left"):
        list(as_done(str, range(9), Crew(2, pool, watch)))
    assert len(pool.futures) == 4
    assert all(future.cancelled() for future in pool.futures)


def test_a_pool_that_broke_is_told_in_words():
    with pytest.raises(StageError, match="ended without a word; it may have lacked memory; run again"):
        list(as_done(str, range(9), Crew(2, Lost(BrokenProcessPool("a child process terminated abruptly")))))


def test_memory_says_how_much_is_done_at_once(monkeypatch):
    monkeypatch.setattr(engine, "held_bytes", lambda: 300e6)
    assert at_once(200e6, 1e9, 8) == 3
    assert at_once(200e6, 4e9, 8) == 8
    assert at_once(200e6, 0.5e9, 8) == at_once(900e6, 0.5e9, 8) == 1
    assert at_once(100e6, 1e9, 8) == 6, "not 7: threads and the C library keep some beside"
    assert room_bytes(0.3e9) == 0


@pytest.mark.skipif(not os.path.exists("/proc/self/status"), reason="asks Linux")
def test_memory_that_is_held_is_what_the_system_says():
    """RssAnon in proc(5), which is in kB."""
    block = bytearray(b"1" * 200_000_000)
    with open("/proc/self/status") as file:
        said = next(int(line.split()[1]) * 1024 for line in file if line.startswith("RssAnon"))
    assert held_bytes() == pytest.approx(said, rel=0.02)
    del block


# Other C libraries give memory back as they see fit.
@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="asks the GNU C library")
def test_freed_memory_goes_back_to_the_system():
    """Small blocks below one that is still held: malloc(3) keeps them, malloc_trim(3) does not."""
    blocks = [bytearray(60_000) for _ in range(2000)]
    last, before = blocks[-1], held_bytes()
    del blocks
    give_back()
    assert before - held_bytes() > 80e6
    assert len(last) == 60_000


def test_giving_back_does_nothing_where_nobody_can(monkeypatch):
    def none(_name):
        raise TypeError  # as on Windows

    monkeypatch.setattr("ctypes.CDLL", none)
    give_back()


def test_memory_of_a_usual_run_is_taken_where_the_system_does_not_tell(monkeypatch):
    def closed(*_, **__):
        raise FileNotFoundError

    monkeypatch.setattr("builtins.open", closed)
    assert held_bytes() == engine.PROGRAM_BYTES
