"""Parts of pages that run in the browser."""
