"""Jobs in processes of their own: one at a time, told of as they go on, stopped or ended in every way there is."""

from __future__ import annotations

import os
import signal
import socket
import time

import pytest

from fourlight.errors import InputError
from fourlight.pipeline.jobs import MOST_LINES, Jobs
from job_orders import Dies, Fails, Steps, Waits

# Windows ends a process that is sent a signal without asking it.
pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")


@pytest.fixture
def jobs():
    made = Jobs()
    yield made
    made.close(1)


def until(true, seconds=60):
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it took too long"
        time.sleep(0.02)


def ended(jobs):
    until(lambda: not jobs.at_work)
    return jobs.told()[0]


def test_a_job_tells_how_it_goes_on_and_what_it_did(jobs, tmp_path):
    go, rest = tmp_path / "go", tmp_path / "rest"
    number = jobs.start(Steps(8, go, rest=rest))
    until(lambda: jobs.told()[0]["stage"] == "walk")
    now = jobs.told()[0]
    assert (now["number"], now["title"], now["state"], now["total"]) == (number, "Take steps", "working", 8)
    assert now["left"] == "", "no step is done: nobody knows"
    edition = jobs.edition
    go.touch()
    until(lambda: jobs.told()[0]["left"])
    now = jobs.told()[0]
    assert (now["done"], now["left"][:6]) == (5, "about ")
    assert jobs.edition > edition
    rest.touch()
    last = ended(jobs)
    assert (last["state"], last["why"]) == ("done", "")
    assert last["lines"] == [("walk", "8 steps taken"), ("to know", "the way was flat")]


def test_one_job_at_a_time(jobs, tmp_path):
    jobs.start(Steps(1, tmp_path / "go"))
    with pytest.raises(InputError, match=r"a job is at work \(Take steps\)"):
        jobs.start(Steps())
    (tmp_path / "go").touch()
    assert ended(jobs)["state"] == "done"
    assert jobs.start(Steps(1)) == 2
    ended(jobs)
    assert [job["number"] for job in jobs.told()] == [2, 1]


@pytest.mark.parametrize(
    ("order", "why"),
    [
        (Fails(), "walk: the bridge is out; take another way"),
        (
            Fails(fault=True),
            "a fault of the program (ZeroDivisionError: nothing to divide by); please report it with --debug",
        ),
        (
            Dies(),
            (
                "the process of this job ended without a word; it may have lacked memory; start it again: what is done"
                " is kept"
            ),
        ),
    ],
    ids=["error", "fault", "death"],
)
def test_a_job_that_fails_says_why_in_one_sentence(jobs, order, why):
    jobs.start(order)
    last = ended(jobs)
    assert (last["state"], last["why"]) == ("failed", why)


def test_a_job_that_is_stopped_puts_things_in_order(jobs, tmp_path):
    tidied, begun = tmp_path / "tidied", tmp_path / "begun"
    number = jobs.start(Waits(tidied, begun))
    until(begun.exists)
    jobs.stop(number)
    assert jobs.told()[0]["state"] == "stopping"
    assert ended(jobs)["state"] == "stopped"
    assert tidied.exists()
    with pytest.raises(InputError, match="no job of number 1 is at work"):
        jobs.stop(number)


def test_a_job_that_does_not_listen_is_ended_the_second_time(jobs, tmp_path):
    number = jobs.start(Waits(tmp_path / "tidied", tmp_path / "begun", deaf=True))
    until((tmp_path / "begun").exists)
    jobs.stop(number)
    time.sleep(0.2)
    assert jobs.at_work
    jobs.stop(number)
    assert ended(jobs)["state"] == "stopped"


def test_closing_stops_the_job_at_work_and_takes_no_other(tmp_path):
    jobs = Jobs()
    jobs.start(Waits(tmp_path / "tidied", tmp_path / "begun"))
    until((tmp_path / "begun").exists)
    jobs.close()
    assert (tmp_path / "tidied").exists()
    assert ended(jobs)["state"] == "stopped"
    with pytest.raises(InputError, match="being closed"):
        jobs.start(Steps())


def test_a_job_whose_server_is_gone_stops(jobs, tmp_path):
    """With the end of the connection, as where the server was killed."""
    jobs.start(Waits(tmp_path / "tidied", tmp_path / "begun"))
    until((tmp_path / "begun").exists)
    entry = jobs._entries[0]
    with socket.socket(fileno=os.dup(entry.link.fileno())) as line:
        line.shutdown(socket.SHUT_RDWR)
    until((tmp_path / "tidied").exists)


def test_ctrl_c_of_the_terminal_is_left_to_the_server(jobs, tmp_path):
    jobs.start(Waits(tmp_path / "tidied", tmp_path / "begun"))
    until((tmp_path / "begun").exists)
    os.kill(jobs._entries[0].process.pid, signal.SIGINT)
    time.sleep(0.3)
    assert jobs.told()[0]["state"] == "working"


def test_of_many_lines_the_last_ones_are_kept(jobs):
    from fourlight.pipeline import jobs as inside

    jobs.start(Steps(1))
    ended(jobs)
    entry = jobs._entries[0]
    for number in range(MOST_LINES + 10):
        assert inside._taken(entry, ("line", "x", str(number)))
    told = entry.told()
    assert (len(told["lines"]), told["said"]) == (MOST_LINES, MOST_LINES + 12)
    assert told["lines"][-1] == ("x", str(MOST_LINES + 9))
