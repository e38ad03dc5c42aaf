"""The page: a local web server that shows a project and steers it. It answers this machine only."""
