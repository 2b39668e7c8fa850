"""One module for each command: its options, and a thin ``_run`` that calls what does the work and prints the outcome.

Each has ``add(commands)``, which ``command_line`` calls. What they share: ``options``, ``console``, ``targets``, and
``verdicts`` for the two that write a verdict. Heavy modules are imported where they are used.
"""
