"""The drivers that ship with benchlog, one file per kind of instrument."""

if __name__ == "drivers":  # running from a checkout would load a second copy
    raise ImportError("import benchlog_drivers; 'drivers' is only the source folder")
