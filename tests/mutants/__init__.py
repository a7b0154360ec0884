"""Do the tests notice? One small change at a time is made to a copy of the program, and its tests are run.

``python -m tests.mutants ROOM`` draws places of the room's source at random, changes each by an operator of
cosmic-ray, and runs the tests that reach the changed line until one fails.
"""
