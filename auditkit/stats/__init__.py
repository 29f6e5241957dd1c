"""Statistical methods, one topic a module; they take plain frames and numbers."""
