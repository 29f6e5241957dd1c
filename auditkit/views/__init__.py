"""Views: tables and figures of findings; they compute nothing and open no file."""
