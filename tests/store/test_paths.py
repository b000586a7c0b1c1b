from pathlib import Path

from benchlog.store.files import default_database


def test_the_variable_names_the_database():
    assert default_database({"BENCHLOG_DB": "/x/y.db"}) == Path("/x/y.db")
    home = default_database({"BENCHLOG_DB": "~/y.db"})
    assert home.is_absolute()


def test_else_it_is_in_the_users_data_folder():
    assert default_database({}).name == "benchlog.db"
    assert default_database({}).parent.name == "benchlog"
