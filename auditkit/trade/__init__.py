"""The trade's own arithmetic, one topic a module; it knows no statistical models."""
