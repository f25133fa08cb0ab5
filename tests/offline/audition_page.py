"""Opens an audition page in headless Chromium (W3C WebDriver, chromedriver) and uses it as a listener would.

audition_page.py PAGE PROFILE: prints what is wrong and returns 1, or nothing and 0."""
import json
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request

page, profile = sys.argv[1:3]
with socket.socket() as probe:
    probe.bind(("127.0.0.1", 0))
    port = probe.getsockname()[1]
driver = subprocess.Popen(["/usr/bin/chromedriver", f"--port={port}"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def call(method, path, body=None):
    request = urllib.request.Request(f"http://127.0.0.1:{port}{path}", method=method,
                                     data=None if body is None else json.dumps(body).encode(),
                                     headers={"Content-Type": "application/json"})
    with urllib.request.urlopen(request, timeout=300) as reply:
        return json.load(reply)["value"]


def started():
    try:
        return call("GET", "/status")["ready"]
    except (urllib.error.URLError, ConnectionError):
        return False


def comes_true(condition):
    """Waits for what must come; five minutes are far longer than it takes on the busiest machine."""
    end = time.monotonic() + 300
    while not condition():
        if time.monotonic() > end:
            return False
        time.sleep(0.05)
    return True


wrong = []


def check(ok, words):
    if not ok:
        wrong.append(words)


# Renders the page's own player off line: A until 0.5 s, then B. Every frame must be A's or B's own at the same place.
SYNC = """
const done = arguments[arguments.length - 1];
(async () => {
  const results = {};
  for (const what of ['drum', 'kit']) {
    const sound = data.sounds[what], frames = data.rate;
    const render = async (first, second) => {
      const context = new OfflineAudioContext(sound.channels, frames, data.rate);
      const player = startPlayer(context, sound, first, 0);
      if (second) context.suspend(0.5).then(() => { switchTo(player, second, context.currentTime); context.resume(); });
      return {plane: (await context.startRendering()).getChannelData(0), player};
    };
    const a = await render('open'), b = await render('deadened'), both = await render('open', 'deadened');
    const ownA = bufferOf(a.player.context, sound.open, sound.channels).getChannelData(0);
    const ownB = bufferOf(b.player.context, sound.deadened, sound.channels).getChannelData(0);
    let before = 0, after = 0, step = 0, apart = 0, direct = 0;
    for (let n = 0; n < frames; ++n) {
      if (n < frames / 2 - 256) before = Math.max(before, Math.abs(both.plane[n] - a.plane[n]));
      if (n > frames * 0.52) after = Math.max(after, Math.abs(both.plane[n] - b.plane[n]));
      apart = Math.max(apart, Math.abs(a.plane[n] - b.plane[n]));
      direct = Math.max(direct, Math.abs(a.plane[n] - ownA[n]), Math.abs(b.plane[n] - ownB[n]));
    }
    results[what] = {before, after, apart, direct};
  }
  done(results);
})().catch(error => done({error: String(error)}));
"""

try:
    check(comes_true(started), "chromedriver does not start")
    session = call("POST", "/session", {"capabilities": {"alwaysMatch": {
        "goog:loggingPrefs": {"browser": "ALL"},
        "goog:chromeOptions": {"args": ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
                                        f"--user-data-dir={profile}"]}}}})["sessionId"]
    at = f"/session/{session}"

    def js(code):
        return call("POST", at + "/execute/sync", {"script": code, "args": []})

    def click(name):
        element = call("POST", at + "/element", {"using": "css selector", "value": "#" + name})
        call("POST", f"{at}/element/{next(iter(element.values()))}/click", {})

    call("POST", at + "/timeouts", {"script": 300000})
    call("POST", at + "/url", {"url": "file://" + page})
    check(js("return Number(byId('volume').value)") <= -20, "does not start quiet")
    click("play")
    check(comes_true(lambda: js("return player !== null && context.state === 'running'")), "does not play")
    check(js("return player.gains.open.value === 1 && player.gains.deadened.value === 0"), "does not start open")
    check(js("return player.master.gain.value < 0.05"), "plays louder than its control says")
    click("hear-deadened")
    check(comes_true(lambda: js("return player.gains.open.value === 0 && player.gains.deadened.value === 1")), "does not switch")
    click("what-kit")
    check(comes_true(lambda: js("return player.gains.deadened.value === 1")), "loses the side when the sound changes")
    click("blind-on")
    for _ in range(8):
        click("hear-x")
        click("say-open")
    check(js("return trials") == 8, "does not count the answers")
    right = js("return right")
    score = js("return byId('score').textContent")
    check(f"{right} of 8 right" in score and "%" in score, "score: " + score)
    # Binomial tail by hand: 8 of 8: 1/256; 7 or more of 8: 9/256; 5 or more of 10: 638/1024
    for hit, trials, chance in ((8, 8, 1 / 256), (7, 8, 9 / 256), (0, 5, 1.0), (5, 10, 638 / 1024)):
        check(abs(js(f"return chanceOfGuessing({hit}, {trials})") - chance) < 1e-12, f"chance of {hit} of {trials}")
    click("play")
    check(js("return player") is None, "does not stop")
    sync = call("POST", at + "/execute/async", {"script": SYNC, "args": []})
    for what, result in sync.items():
        check(isinstance(result, dict), f"{what}: {result}")
        if isinstance(result, dict):
            check(result["apart"] > 0.001, f"{what}: open and deadened are the same")
            check(max(result["before"], result["after"], result["direct"]) < 1e-6, f"{what}: not in step: {result}")
    for entry in call("POST", at + "/se/log", {"type": "browser"}):
        wrong.append("console: " + entry["message"])
    call("DELETE", at)
finally:
    driver.terminate()
    driver.wait()
print("\n".join(wrong), end="")
sys.exit(1 if wrong else 0)
