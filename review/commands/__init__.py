"""Commands of ``exchange-review`` that have a module of their own, by topic."""
