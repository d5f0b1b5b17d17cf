"""The one server: twenty phones at once, killed and started again, and what it must refuse."""

import asyncio
import http.client
import re
import signal
import socket
import subprocess
import sys
import threading
from contextlib import contextmanager

import pytest

from tests.browser import needs_browser
from tests.rounds.tasted_round import answers, data_of, page_of, tasted
from trials.base.errors import RoundError, TastingError
from trials.base.html import find_browser
from trials.core.measures import Measure
from trials.doors.server import LARGEST_ANSWERS, MOST_FILES, Links, serve_ballots, store
from trials.rounds.forms import read_serving
from trials.rounds.scores import check, scores

LIKING = Measure("liking", "hedonic 9")
SECONDS = 20


@contextmanager
def running(round_, *words, port=0):
    """The server as the command line starts it; gives its process, port and links."""
    command = [sys.executable, "-m", "trials", "serve", str(round_.folder), "--port", str(port)]
    process = subprocess.Popen(
        [*command, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        links = {}
        for line in process.stdout:
            # Nobody else's computer, unless the cook names an address
            host = words[words.index("--address") + 1] if "--address" in words else "127.0.0.1"
            found = re.fullmatch(rf"  (.+): http://{re.escape(host)}:(\d+)(/\w+/)\n", line)
            if found:
                links[found[1]], port = found[3], int(found[2])
            if "Stop with" in line:
                break
        assert links, process.stderr.read()
        yield process, port, links
    finally:
        process.kill()
        process.communicate()


def ask(port, method, path, body=None, cookie="", **headers):
    """One request on a connection of its own: status, text, cookie."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=SECONDS)
    sent = {name.replace("_", "-"): value for name, value in headers.items()}
    if cookie:
        sent["Cookie"] = cookie
    try:
        connection.request(method, path, body, sent)
        reply = connection.getresponse()
        text = reply.read().decode()
        return reply.status, text, (reply.getheader("Set-Cookie") or "").split(";")[0]
    finally:
        connection.close()


def opened_by_phone(port, link):
    status, _, cookie = ask(port, "POST", f"{link}open")
    assert status == 200
    return cookie


def send(port, link, cookie, text):
    return ask(port, "POST", f"{link}answers", text.encode(), cookie, Content_Type="text/csv")


@pytest.fixture
def one(tmp_path):
    return tasted(tmp_path, measures=[LIKING])


@pytest.mark.slow
def test_twenty_phones_send_at_once_while_it_is_killed_and_nothing_is_lost(tmp_path):
    """Each of 20 sends 4 times; the server is killed in between and comes back on its port."""
    names = [f"Taster {chr(65 + at)}" for at in range(20)]
    round_ = tasted(tmp_path, names, measures=[LIKING], sitting=4)
    wrong, arrived = [], threading.Semaphore(0)

    def phone(name, port, link):
        ballot = data_of(page_of(round_, name).read_text("utf-8"))
        cookie, sent = "", 0
        whole = answers(ballot, liking=str(1 + names.index(name) % 9)).splitlines(keepends=True)
        while sent < 4:
            try:
                if not cookie:
                    status, text, cookie = ask(port, "POST", f"{link}open")
                # Each time some more of the ballot is filled
                filled = 1 + (sent + 1) * (len(whole) - 1) // 4
                status, text, _ = send(port, link, cookie, "".join(whole[:filled]))
            except (OSError, http.client.HTTPException):
                continue  # it is down: the phone keeps its answers and tries again
            if status != 200:
                wrong.append((name, status, text))
                return
            sent += 1
            arrived.release()

    with running(round_) as (process, port, links):
        threads = [threading.Thread(target=phone, args=(name, port, links[name])) for name in names]
        for thread in threads:
            thread.start()
        for _ in range(25):  # some have sent, none is done with all
            assert arrived.acquire(timeout=SECONDS)
        process.send_signal(signal.SIGKILL)
        process.wait()
    with running(round_, port=port) as (_, _, again):
        assert again == links
        for thread in threads:
            thread.join(timeout=60)
            assert not thread.is_alive()
    assert wrong == []
    kept = [path for path in (round_.folder / "incoming").iterdir() if path.suffix == ".csv"]
    assert len(kept) == 80
    assert not check(round_)
    tidy = scores(round_)
    tidy = tidy[tidy["taster"].notna()]
    assert tidy["liking"].notna().all()
    for name, own in tidy.groupby("taster"):
        assert set(own["liking"]) == {1 + names.index(name) % 9}


def test_nothing_but_a_tasters_own_ballot_can_be_reached(one):
    with running(one) as (_, port, links):
        ida, bo = links["Ida"], links["Bo"]
        for path in (
            "/", "/serving.csv", "/links.csv", "/round.toml", "/code-sheet.html", "/incoming/",
            "/received/", "/ballots/", f"{ida}../serving.csv", f"{ida}serving.csv", ida[:-1],
            "/" + "a" * 48 + "/", ida.replace("/", "/%2e%2e/", 1), "/static/x", "//",
        ):  # fmt: skip
            status, text, _ = ask(port, "GET", path)
            assert status == 404, path
            assert "There is nothing here." in text, path
            assert not any(word in text for word in ("Ida", "Bo", "doughnut")), path
        status, before, _ = ask(port, "GET", ida)
        codes = data_of(page_of(one, "Ida").read_text("utf-8"))["samples"]
        assert status == 200
        assert not any(sample["code"] in before for sample in codes)
        cookie = opened_by_phone(port, ida)
        page = ask(port, "GET", ida, cookie=cookie)[1]
        assert data_of(page)["send"] == "answers"
        assert not re.search(r"\bB\d\d\b|serving\.csv", page.split("<body>")[1])
        # One link, one phone
        assert ask(port, "GET", ida)[0] == 403
        assert ask(port, "POST", f"{ida}open")[0] == 403
        assert ask(port, "GET", bo, cookie=cookie)[1] != page
        assert ask(port, "PUT", ida)[0] == 405
        assert ask(port, "GET", f"{ida}answers")[0] == 405


def test_only_a_tasters_own_whole_answers_are_kept(one):
    ballots = {name: data_of(page_of(one, name).read_text("utf-8")) for name in ("Ida", "Bo")}
    good = answers(ballots["Ida"], liking="7", note='😀 =1+1, "crisp"\n<b>ø</b>')
    with running(one) as (_, port, links):
        ida = links["Ida"]
        cookie = opened_by_phone(port, ida)
        assert send(port, ida, "", good)[0] == 403
        assert send(port, links["Bo"], cookie, good)[0] == 403
        refused = {
            answers(ballots["Bo"], liking="7"): "not of Ida",
            good.replace(ballots["Ida"]["mark"], "rbcdfghjk"): "another round",
            good.replace(ballots["Ida"]["samples"][0]["code"], "999"): "not the ones you were",
            good[: len(good) // 2]: "",
            "hello": "no ballot of this round",
            "": "no ballot of this round",
            good.replace("liking", "scoring", 1): "no ballot of this round",
            "\x00" + good: "no ballot of this round",
        }
        for text, said in refused.items():
            status, told, _ = send(port, ida, cookie, text)
            assert status == 400, text[:60]
            assert said in told
        assert ask(port, "POST", f"{ida}answers", good.encode("utf-16"), cookie,
                   Content_Type="text/csv")[0] == 400  # fmt: skip
        for kind in ("text/plain", "", "application/json"):
            found = ask(port, "POST", f"{ida}answers", good.encode(), cookie, Content_Type=kind)
            assert found[0] == 415
        elsewhere = ask(port, "POST", f"{ida}answers", good.encode(), cookie,
                        Content_Type="text/csv", Origin="http://example.test")  # fmt: skip
        assert elsewhere[0] == 403
        assert not (one.folder / "incoming").exists()
        assert send(port, ida, cookie, good)[:2] == (200, "Arrived. Thank you, Ida.")
        assert send(port, ida, cookie, good)[0] == 200
        assert len(list((one.folder / "incoming").iterdir())) == 1
    assert not check(one)
    assert set(scores(one)["liking"].dropna()) == {7.0}
    assert set(scores(one)["note"]) >= {'😀 =1+1, "crisp"\n<b>ø</b>'}


def test_a_taster_who_corrects_and_sends_again_is_believed(one):
    ballot = data_of(page_of(one, "Ida").read_text(encoding="utf-8"))
    with running(one) as (_, port, links):
        cookie = opened_by_phone(port, links["Ida"])
        for liking in ("7", "3", "7", "4"):
            assert send(port, links["Ida"], cookie, answers(ballot, liking=liking))[0] == 200
    with running(one, "--renew", "Ida") as (_, port, links):
        other = opened_by_phone(port, links["Ida"])
        assert len(list((one.folder / "incoming").iterdir())) == 4  # all are kept
        assert len(check(one)) == 0
        ida = scores(one).query("taster == 'Ida'")
        assert set(ida["liking"]) == {4.0}
        times = [str(note) for note in check(one).notes if "from the same phone" in str(note)]
        assert len(times) == 3 * len(ballot["samples"])
        assert all(re.search(r"\d\d:\d\d:\d\d.*\d\d:\d\d:\d\d", line) for line in times)
        # Another phone that says otherwise is asked about, as two sheets are
        assert send(port, links["Ida"], other, answers(ballot, liking="6"))[0] == 200
    assert len(check(one)) == len(ballot["samples"])


def test_what_is_far_too_large_or_never_ends_does_not_stop_the_others(one):
    ballot = data_of(page_of(one, "Ida").read_text("utf-8"))
    good = answers(ballot, liking="7")
    with running(one) as (_, port, links):
        ida = links["Ida"]
        cookie = opened_by_phone(port, ida)
        assert send(port, ida, cookie, good + "x" * LARGEST_ANSWERS)[0] in (400, 413)
        with socket.create_connection(("127.0.0.1", port), timeout=SECONDS) as silent:
            silent.sendall(b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 1000000000\r\n\r\n")
            assert b"200" not in silent.recv(200)
        with socket.create_connection(("127.0.0.1", port), timeout=SECONDS) as slow:
            slow.sendall(b"GET / HT")
            assert send(port, ida, cookie, good)[0] == 200
        long_words = answers(ballot, note="x" * 2000)
        assert len(long_words) < LARGEST_ANSWERS
        assert send(port, ida, cookie, long_words)[0] == 200


def test_a_new_link_ends_the_old_one(one):
    with running(one) as (_, port, links):
        cookie = opened_by_phone(port, links["Ida"])
        assert (one.folder / "links.csv").stat().st_mode & 0o077 == 0
    with running(one, "--renew", "Ida") as (_, port, again):
        assert again["Bo"] == links["Bo"]
        assert ask(port, "GET", links["Ida"], cookie=cookie)[0] == 404
        assert ask(port, "GET", again["Ida"])[0] == 200


def test_a_taster_can_not_fill_the_disk(one):
    kept = [store(one.folder, str(at).encode(), "Ida") for at in range(MOST_FILES + 1)]
    assert kept[-1] is None
    assert None not in kept[:-1]
    last = str(MOST_FILES - 1).encode()
    assert store(one.folder, last, "Ida") == kept[-2]  # the same once more
    assert store(one.folder, b"0", "Bo") is not None


def test_a_second_server_of_a_round_says_so(one):
    with running(one) as (_, port, links):
        with pytest.raises(RoundError, match="served already"):
            serve_ballots(one, port=0)
        assert ask(port, "GET", links["Ida"])[0] == 200
    with running(one) as (_, port, again):  # whoever was stopped holds nothing any more
        assert again == links


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("0.0.0.0", "not one address of a local network"),
        ("::", "not one address of a local network"),
        ("8.8.8.8", "never to the whole world"),
        ("the kitchen", "is no address"),
        ("192.168.254.253", "can not be had"),
    ],
)
def test_an_address_that_is_not_one_of_this_kitchen_is_refused(one, address, said):
    with pytest.raises(TastingError, match=said):
        serve_ballots(one, address, 0)


def test_a_notebook_is_told_to_use_a_terminal(one):
    async def in_a_notebook():
        serve_ballots(one)

    with pytest.raises(TastingError, match="trials serve"):
        asyncio.run(in_a_notebook())


def test_a_round_without_servings_and_a_stranger_are_refused(one, tmp_path):
    with pytest.raises(TastingError, match="tastes nothing"):
        Links(one.folder, ["Ida"], ["Mia"])
    for path in (one.folder / "serving.csv", *(one.folder / "received").glob("*serving.csv")):
        path.unlink()
    with pytest.raises(TastingError, match="Nothing is served"):
        serve_ballots(one)


def test_a_serving_table_that_was_taken_away_is_served_with_the_same_codes(one):
    before = read_serving(one)
    (one.folder / "serving.csv").unlink()
    with running(one) as (_, _, links):
        assert set(links) >= {"Ida"}
        assert read_serving(one).equals(before)


@needs_browser
def test_a_phone_opens_its_link_fills_sends_and_is_told(one):
    playwright = pytest.importorskip("playwright.sync_api")
    trouble = []
    with running(one) as (_, port, links), playwright.sync_playwright() as runner:
        browser = runner.chromium.launch(executable_path=find_browser())
        page = browser.new_page()
        page.on("console", lambda message: trouble.append(message.text))
        page.on("pageerror", lambda error: trouble.append(str(error)))
        page.goto(f"http://127.0.0.1:{port}{links['Ida']}")
        page.get_by_role("button", name="I am Ida").click()
        page.get_by_label("I agree").check()
        page.get_by_role("button", name="Start").click()
        page.get_by_label("8 like very much").check()
        page.reload()
        assert page.get_by_label("8 like very much").is_checked()
        while not page.locator("#check").is_visible():
            page.locator("#next").click()
        page.get_by_role("button", name="Send to the cook").click()
        page.get_by_text("it arrived").wait_for()
        assert page.get_by_role("heading", name="Thank you, Ida").is_visible()
        browser.close()
    assert trouble == []
    assert list(scores(one)["liking"].dropna()) == [8.0]


def test_answers_that_can_not_be_kept_are_said_to_be_on_the_phone(one):
    ballot = data_of(page_of(one, "Ida").read_text(encoding="utf-8"))
    with running(one) as (_, port, links):
        cookie = opened_by_phone(port, links["Ida"])
        (one.folder / "incoming").write_text("not a folder", encoding="utf-8")
        status, said, _ = send(port, links["Ida"], cookie, answers(ballot, liking="7"))
        assert status == 507
        assert "still on this phone" in said
        assert "Tell the cook" in said
        (one.folder / "incoming").unlink()
        status, said, _ = send(port, links["Ida"], cookie, answers(ballot, liking="7"))
        assert status == 200, said
    assert len(list((one.folder / "incoming").glob("*.csv"))) == 1


def test_a_folder_that_was_renamed_is_not_made_anew(one):
    ballot = data_of(page_of(one, "Ida").read_text(encoding="utf-8"))
    elsewhere = one.folder.with_name("renamed")
    with running(one) as (_, port, links):
        cookie = opened_by_phone(port, links["Ida"])
        one.folder.rename(elsewhere)
        status, said, _ = send(port, links["Ida"], cookie, answers(ballot, liking="7"))
        assert status == 503
        assert "still on this phone" in said
        assert not one.folder.exists()
    elsewhere.rename(one.folder)


def test_a_link_that_could_not_be_written_down_stays_free(tmp_path, monkeypatch):
    from trials.doors import server

    links = Links(tmp_path, ["Ida"])
    link = next(iter(links))

    def full(*_):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as here:
        here.setattr(server, "write_csv", full)
        with pytest.raises(OSError, match="No space"):
            links.open(link)
    assert links.open(next(iter(links)))


def test_a_wrong_or_used_link_is_a_page_that_a_phone_can_read(one):
    with running(one) as (_, port, links):
        opened_by_phone(port, links["Ida"])
        for path, words in ((links["Ida"], "another phone"), ("/a/", "ask the cook")):
            status, said, _ = ask(port, "GET", path)
            assert status in (403, 404)
            assert words in said
            assert 'name="viewport"' in said


def test_only_its_own_name_is_answered(one):
    with running(one) as (_, port, links):
        status, said, _ = ask(port, "GET", links["Ida"], Host="kitchen.example:80")
        assert status == 421
        assert "given to you" in said
        assert ask(port, "GET", links["Ida"], Host=f"localhost:{port}")[0] == 200


def test_the_cook_is_told_who_can_open_the_links_and_what_plain_http_means(one):
    with running(one) as (process, _, links):
        page = (one.folder / "links.html").read_text(encoding="utf-8")
        assert all(link in page for link in links.values())
        # A phone that scanned "this computer" would look on the phone: no code, but the way there
        assert "data:image/svg+xml" not in page
        assert "--address" in page
        assert "a phone can not" in page
        assert (one.folder / "links.html").stat().st_mode & 0o077 == 0
        assert process.poll() is None


def test_in_the_kitchens_network_each_link_is_there_to_scan(one):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # RFC 5737: nothing is sent
        except OSError:
            pytest.skip("this machine is in no network")
        here = probe.getsockname()[0]
    with running(one, "--address", here) as (_, port, links):
        page = (one.folder / "links.html").read_text(encoding="utf-8")
        assert page.count("data:image/svg+xml") == len(links)
        assert all(f"http://{here}:{port}{link}" in page for link in links.values())
        assert "a phone can not" not in page
