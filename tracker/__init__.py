"""The book of a filament test bench, and everything that asks it.

The rooms, from the ground up: ``ids``, ``units``, ``api`` (import nothing of
ours); ``model``, ``migrations``, ``files``, ``journal``, ``book`` (the store);
``platefile``, ``chamberlog``, ``exposure``, ``statistics`` (bytes and numbers
in, facts out); ``desk`` (what is done to the book); ``trace``, ``why``,
``table``, ``publish`` (questions to it); ``cli`` and ``web`` (what people
touch). Imports run downwards only.
"""

__version__ = "0.1.0"
