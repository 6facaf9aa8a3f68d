"""Real-time priority where the system gives it: for the process and for threads that ask, and only as long."""

import os
import threading

import pytest

from benchsim.ports.urgent import thread_is_urgent, urgent


def policy_of_a_thread(asks):
    found = []

    def work():
        if asks:
            thread_is_urgent()
        found.append(os.sched_getscheduler(0) & ~os.SCHED_RESET_ON_FORK)

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    return found[0]


def test_threads_get_it_when_they_ask_and_while_it_lasts():
    before = os.sched_getscheduler(0)
    with urgent() as granted:
        if not granted:
            pytest.skip("this system gives no real-time priority to this user")
        assert policy_of_a_thread(asks=True) == os.SCHED_RR
        assert policy_of_a_thread(asks=False) == os.SCHED_OTHER
    assert policy_of_a_thread(asks=True) == os.SCHED_OTHER
    assert os.sched_getscheduler(0) == before
