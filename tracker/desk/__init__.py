"""What is done to the book, one module for each station a spool passes on its way to a number."""
