"""The job as a form, the search, alternatives, and what if."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest
from commands import invoke
from starlette.testclient import TestClient

from antecurve.files.job_file import read_job
from antecurve.files.job_form_fields import JOB_FIELDS
from bench_forms import finished, form_of


def test_saving_a_form_as_it_is_changes_no_byte(client: TestClient, network: Path) -> None:
    before = (network / "job.toml").read_bytes()
    fields = form_of(client.get("/networks/Disc").text)
    assert set(fields) >= {f.name for f in JOB_FIELDS if f.kind.value != "flag"}
    answer = client.post("/networks/Disc/job", data=fields)
    assert answer.status_code == 200, answer.text
    assert (network / "job.toml").read_bytes() == before


def test_a_change_keeps_comments_and_can_be_undone(client: TestClient, network: Path) -> None:
    path = network / "job.toml"
    before = path.read_text()
    fields = form_of(client.get("/networks/Disc").text)
    fields |= {"load.capacitance": "4n7", "target.band": "30 Hz, 15k", "target.error_limit_db": ""}
    page = client.post("/networks/Disc/job", data=fields)
    job = read_job(path)
    assert job.loading.load_capacitance == pytest.approx(4.7e-9)
    assert job.target.band_hz == (30.0, 15e3) and job.target.error_limit_db is None
    kept = [line.partition("#")[2] for line in before.splitlines() if "error_limit" not in line]
    assert [c for c in kept if c not in path.read_text()] == []
    assert "Undo: job of Disc" in page.text
    client.post("/undo", params={"back": "/networks/Disc"})
    assert path.read_text() == before


@pytest.mark.parametrize(
    ("field", "typed"),
    [("load.capacitance", "15x"), ("source.level", "-1"), ("target.band", "20"),
     ("curve.name", "none"), ("spread.builds", "many"), ("pick.sets", "7")],
)  # fmt: skip
def test_errors_stand_beside_their_fields_in_the_words_of_the_command_line(
    client: TestClient, network: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    field: str, typed: str,
) -> None:  # fmt: skip
    before = (network / "job.toml").read_text()
    fields = form_of(client.get("/networks/Disc").text) | {field: typed}
    fields["network.output_resistance_max"] = "none"
    answer = client.post("/networks/Disc/job", data=fields)
    assert answer.status_code == 422
    assert (network / "job.toml").read_text() == before
    shown = re.findall(r'<p class="error" id="error-([\w-]+)">(.+?)</p>', answer.text)
    errors = {name: html.unescape(sentence) for name, sentence in shown}
    assert set(errors) == {field.replace(".", "-"), "network-output_resistance_max"}
    assert f'value="{typed}"' in answer.text
    # The same job on the command line.
    section, key = field.split(".")
    value = f"[{typed}]" if field == "target.band" else typed if typed == "7" else f'"{typed}"'
    value = typed if typed == "-1" else value
    job = tmp_path / "job.toml"
    job.write_text(
        re.sub(rf"(?ms)^(\[{section}\].*?^{key} = ).*?$", rf"\g<1>{value}", before, count=1)
    )
    told = invoke(capsys, "design", str(job))
    assert told.code == 2
    assert errors[field.replace(".", "-")] in " ".join(told.err.split())


def test_a_change_elsewhere_is_not_overwritten(client: TestClient, network: Path) -> None:
    fields = form_of(client.get("/networks/Disc").text)
    path = network / "job.toml"
    path.write_text(path.read_text().replace("seed = 1", "seed = 2"))
    answer = client.post("/networks/Disc/job", data=fields | {"spread.seed": "3"})
    assert answer.status_code == 409 and "changed in another window" in answer.text
    assert "seed = 2" in path.read_text()


def test_a_drawer_is_pasted_and_used(client: TestClient, network: Path) -> None:
    wrong = client.post("/networks/Disc/drawer", data={"table": "kind\tvalue\nresistor\t4z7"})
    assert wrong.status_code == 422 and "drawer.csv, line 2" in wrong.text
    table = "kind\tvalue\ttolerance\nresistor\t4k7\t1 %\ncapacitor\t1n\t1 %"
    assert client.post("/networks/Disc/drawer", data={"table": table}).status_code == 200
    job = read_job(network / "job.toml")
    assert job.resistors.drawer == job.capacitors.drawer == str(network / "drawer.csv")


def test_parts_are_found_and_another_network_is_made_the_pick(client: TestClient) -> None:
    client.post("/demo")
    at = "/networks/Archive disc"
    fields = form_of(client.get(at).text) | {"then": "find", "spread.builds": "2000"}
    page = client.post(f"{at}/job", data=fields)
    assert "Finding parts" in page.text and "Cancel" in page.text
    outcome = finished(client, at)
    assert "No other combination of these parts does better (proved)." in outcome
    assert client.get(f"{at}/report").status_code == 200
    assert client.post(f"{at}/choose", data={"number": "2"}).status_code == 200
    outcome = finished(client, at)
    assert "an alternative was chosen by hand" in outcome.lower(), outcome
    answer = client.get(f"{at}/what-if/answer", params={"source": "600", "ref": "R1"})
    for shown in (answer, client.get(f"{at}/what-if", params={"source": "600"})):
        assert re.search(r'<output id="shown-source"[^>]*>600 Ω</output>', shown.text)
    assert "generator 600" in answer.text.replace("\u00a0", " ")
    refusal = client.get(f"{at}/what-if/answer", params={"ref": "R1", "value": "4z7"})
    assert refusal.status_code == 422 and "R1: received" in refusal.text, refusal.text[-3000:]
