// Keeps a bench's page as the bench is now, from the station's stream.
//
// The server prints every part; this file only puts the parts in place. When nothing has come for a few
// seconds it puts the prepared "lost" parts in place by itself, so that no old number stays looking live.
"use strict";

(() => {
  const root = document.getElementById("bench");
  const lostAfterMs = Number(root.dataset.lostAfterMs);
  const retryMs = 5000;
  const parts = new Map();
  const titleAtLoss = root.dataset.lostTitle;
  let source = null;
  let retry = null;
  let live = root.dataset.live === "yes";
  let lost = false;
  let goodUntil = performance.now() + lostAfterMs - Number(root.dataset.ageMs);
  // How far this page's clock is ahead of the server's, judged by the message that came quickest. Two clocks
  // drift apart by less than this share, so the judgement is loosened by it.
  const drift = 0.0002;
  let ahead = null;
  let judged = 0;

  for (const place of root.querySelectorAll("[data-part]")) {
    const blank = document.getElementById(`lost-${place.dataset.part}`);
    parts.set(place.dataset.part, { place, blank, html: null, held: null });
  }

  function lateMs(serverMs) {
    const now = performance.now();
    ahead = ahead === null ? now - serverMs : Math.min(ahead + drift * (now - judged), now - serverMs);
    judged = now;
    return now - serverMs - ahead;
  }

  // The focus stays on the button of the same request. Where that is gone the part itself has it, so that the
  // next key starts from there and presses nothing; and the button again, when it comes back.
  function replace(part, how) {
    const { place } = part;
    const focused = document.activeElement;
    if (!place.contains(focused)) return how();
    if (focused !== place) part.held = focused.dataset.ask;
    how();
    const same = [...place.querySelectorAll("[data-ask]")].find((each) => each.dataset.ask === part.held);
    if (same === undefined) place.tabIndex = -1;
    (same ?? place).focus({ preventScroll: true });
  }

  function put(part) {
    if (part.html !== null) replace(part, () => { part.place.innerHTML = part.html; });
  }

  function showLost() {
    lost = true;
    live = false;
    document.title = titleAtLoss;
    // The prepared parts are as old as the page; when the station was last heard is not.
    const lastHeard = root.querySelector(".heard")?.dataset.last ?? "";
    for (const [name, part] of parts) {
      if (name !== "lately") replace(part, () => part.place.replaceChildren(part.blank.content.cloneNode(true)));
    }
    for (const heard of root.querySelectorAll(".heard")) heard.textContent = lastHeard;
  }

  function take(news) {
    const late = lateMs(news.clock_ms);
    // What was sent long ago is not how the bench is now, even if it has only just come.
    const stale = news.live && late + news.age_ms > lostAfterMs;
    for (const [name, html] of Object.entries(news.parts)) {
      const part = parts.get(name);
      if (part === undefined) continue;
      part.html = html;
      if (!lost && !stale) put(part);
    }
    if (stale) {
      if (!lost) showLost();
      return;
    }
    if (lost) {
      lost = false;
      for (const part of parts.values()) put(part);
    }
    document.dispatchEvent(new Event("parts"));
    live = news.live;
    goodUntil = performance.now() + lostAfterMs - news.age_ms - late;
    document.title = news.title;
  }

  function watch() {
    if (live && performance.now() > goodUntil) showLost();
  }

  function close() {
    clearTimeout(retry);
    if (source !== null) source.close();
    source = null;
  }

  function open() {
    if (source !== null || document.hidden) return;
    source = new EventSource(root.dataset.stream);
    source.addEventListener("clock", (message) => { ahead = null; lateMs(Number(message.data)); });
    source.onmessage = (message) => take(JSON.parse(message.data));
    source.onerror = () => {
      // The browser tries again by itself, except after a refusal (too many streams).
      if (source !== null && source.readyState === EventSource.CLOSED) {
        close();
        retry = setTimeout(open, retryMs);
      }
    };
  }

  document.addEventListener("visibilitychange", () => {
    if (document.hidden) return close();
    watch();
    open();
  });
  window.addEventListener("pagehide", close);
  window.addEventListener("pageshow", () => { watch(); open(); });
  setInterval(watch, 250);
  open();
})();
