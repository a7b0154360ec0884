"""The bundled test methods, one module each; they are written against ``tracker.api`` alone."""
