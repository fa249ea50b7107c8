"""The page: ``streamlit run app.py``."""

from pathlib import Path

from grainscan.shown.page import show

# Processes started from the page import this file again; they must not build the page.
if __name__ == "__main__":
    show(samples=Path(__file__).parent / "sample_images")
