"""The page on forwarding, run as it is shown, towards a real server."""

from pathlib import Path

import psycopg
from forwarding.sending import PROGRAM
from test_docs import all_blocks
from warm_program import run

CORPUS = Path(__file__).parents[1] / "frozen" / "corpus"
PAGE = "benchlog/manual/forwarding.md"
SHOWN = "postgresql://db.example/factory"
STORE = "s3://factory/benches"


def test_every_command_of_the_page_does_its_job(central: str) -> None:
    blocks = [block for block in all_blocks() if block.document == PAGE]
    commands = [words for block in blocks for words in block.commands()]
    to_server = [words for words in commands if SHOWN in words]
    assert len(to_server) >= 4
    for words in to_server:
        assert words[:2] == ["benchlog", "forward"]
        given = [central if word == SHOWN else word for word in words[1:]]
        assert central in given
        if "--create" not in given:
            given += ["--db", str(CORPUS / "rc.db")]
        done = run([*PROGRAM, *given], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
    with psycopg.connect(central) as session:
        assert session.execute("select count(*) from benchlog.readings").fetchone()[0]


def test_the_questions_of_the_page_are_answered(central: str) -> None:
    page = (Path(__file__).parents[2] / PAGE).read_text("utf-8")
    blocks = [part.split("```")[0] for part in page.split("```sql\n")[1:]]
    run([*PROGRAM, "forward", "--to", central, "--create"], check=True)
    with psycopg.connect(central, autocommit=True) as session:
        session.execute("begin")
        for block in blocks:
            session.execute(block)
        session.execute("rollback")


def test_every_command_towards_an_object_store_does_its_job(tmp_path: Path) -> None:
    blocks = [block for block in all_blocks() if block.document == PAGE]
    commands = [words for block in blocks for words in block.commands()]
    to_store = [words for words in commands if STORE in words]
    assert len(to_store) == 2
    for words in to_store:
        given = [f"file://{tmp_path}/set" if one == STORE else one for one in words[1:]]
        given += ["--db", str(CORPUS / "rc.db")]
        if "--follow" in given:  # it goes on until it is ended
            given.remove("--follow")
        done = run([*PROGRAM, *given], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
