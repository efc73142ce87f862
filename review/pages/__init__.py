"""The pages of the browser view, one file each; only they and ``app.py`` import Streamlit."""
