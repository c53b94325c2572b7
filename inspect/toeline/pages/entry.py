"""The page list; what Streamlit is started with."""

from __future__ import annotations

from html import escape

import streamlit as st

from toeline.errors import ToelineError
from toeline.pages import class_page, inspect_page, logbook_page, look, show, strips_page, tuning_page
from toeline.pages.gate import guard

PAGES = (
    (inspect_page.page, "Inspect", "inspect"),
    (tuning_page.page, "Tuning", "tuning"),
    (class_page.page, "Class", "class"),
    (logbook_page.page, "Logbook", "logbook"),
    (strips_page.page, "Strips", "strips"),
)


def main() -> None:
    """Draw the page that was asked for."""
    st.set_page_config(page_title="toeline", page_icon="📏", layout="centered", initial_sidebar_state="collapsed")
    look.apply()
    guard()
    listed = [st.Page(page, title=title, url_path=path, default=path == "inspect") for page, title, path in PAGES]
    chosen = st.navigation(listed, position="hidden")
    with st.container(horizontal=True, gap="xxsmall", key="places"):
        for one in listed:
            st.page_link(one)
    try:
        chosen.run()
    except ToelineError as trouble:
        show.word("bad", f"<b>{escape(trouble.message)}</b> {escape(trouble.advice)}")


if __name__ == "__main__":
    main()
