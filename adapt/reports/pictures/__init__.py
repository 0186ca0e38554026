"""The one place where pictures are drawn: for pages, reports on paper and folders of figures."""
