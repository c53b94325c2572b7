"""The pages, for `streamlit run app.py`; `toeline app` starts the same."""

from toeline.pages.entry import main

main()
