"""Pages with nothing of ours on them: what is wrong here is wrong with Streamlit itself."""

import streamlit as st


def first() -> None:
    st.title("A page")
    st.write("Some words.")
    st.file_uploader("Files")


def second() -> None:
    st.title("Another page")


st.navigation({"Some": [st.Page(first, default=True)], "Others": [st.Page(second)]}).run()
