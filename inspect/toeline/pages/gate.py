"""The gate for a phone on the home network: a one-time code, compared in constant time, few tries."""

from __future__ import annotations

import hmac
import os
import secrets
import threading
import time

import streamlit as st

from toeline.pages.state import Key
from toeline.serve import CODE_VARIABLE

#: Query parameter that lets the same phone back in after a reload.
TICKET = "ticket"
#: Wrong codes before the gate stays shut until the server is started anew.
MOST_TRIES = 8


class Gate:
    """Lets one person in: the first right code wins a ticket, and the code is spent.

    Parameters
    ----------
    code : str
        The one-time code.
    pause_s : float
        Wait after the first wrong code; it doubles with every further one [s].
    """

    def __init__(self, code: str, *, pause_s: float = 1.0) -> None:
        self._code = code
        self._ticket: str | None = None
        self._pause_s = pause_s
        self._n_wrong = 0
        self._not_before = 0.0
        self._lock = threading.Lock()

    def try_code(self, given: str) -> tuple[str | None, str]:
        """(ticket, "") for the right code; (None, a sentence) otherwise."""
        with self._lock:
            if self._ticket is not None:
                return None, "This code has been used. Start toeline with --phone again for a new one."
            if self._n_wrong >= MOST_TRIES:
                return None, "Too many wrong codes: the gate is shut. Start toeline with --phone again."
            if (wait_s := self._not_before - time.monotonic()) > 0:
                return None, f"Wait {wait_s:.0f} s before the next try."
            if hmac.compare_digest(_plain(given), _plain(self._code)):
                self._ticket = secrets.token_urlsafe(24)
                return self._ticket, ""
            self._n_wrong += 1
            self._not_before = time.monotonic() + self._pause_s * 2 ** (self._n_wrong - 1)
            left = MOST_TRIES - self._n_wrong
            return None, f"That is not the code. {left} tr{'y' if left == 1 else 'ies'} left."

    def knows(self, ticket: str) -> bool:
        """Is this the ticket that was given out?"""
        with self._lock:
            return self._ticket is not None and hmac.compare_digest(ticket.encode(), self._ticket.encode())


def _plain(code: str) -> bytes:
    """A code without the spaces and dashes people put into it."""
    return "".join(c for c in code if c.isalnum()).encode()


@st.cache_resource
def _gate(code: str) -> Gate:
    return Gate(code)


def guard() -> None:
    """Stop here unless there is no gate, or this browser has been let in."""
    code = os.environ.get(CODE_VARIABLE)
    if not code:
        return
    gate = _gate(code)
    ticket = st.session_state.get(Key.LET_IN) or st.query_params.get(TICKET, "")
    if ticket and gate.knows(ticket):
        st.session_state[Key.LET_IN] = ticket
        st.query_params[TICKET] = ticket
        return
    st.title("toeline")
    st.markdown("Type the one-time code that was printed where toeline was started.")
    with st.form("gate", border=False):
        given = st.text_input("Code", key=Key.CODE, autocomplete="one-time-code")
        pressed = st.form_submit_button("Let me in", type="primary", width="stretch")
    if pressed:
        won, why = gate.try_code(given)
        if won:
            st.session_state[Key.LET_IN] = won
            st.rerun()
        st.error(why)
    st.stop()
