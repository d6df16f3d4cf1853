"""The live bench page: a local web server whose one worker thread owns all instruments."""
