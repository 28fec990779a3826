"""The visit's loop on a phone: a small local web page that shows a view and takes its keys."""
