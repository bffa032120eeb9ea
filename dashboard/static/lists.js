// Keeps a list of benches as it is now: fetches the page again and again, and puts its list in place.
//
// When nothing has come for a few seconds it puts the prepared "lost" list in place, so that nothing old stays
// looking live.
"use strict";

(() => {
  const everyMs = 1500;
  const main = document.querySelector("main[data-lost-after-ms]");
  const lostAfterMs = Number(main.dataset.lostAfterMs);
  let blank = document.getElementById("lost").content;
  let title = document.title;
  let goodUntil = performance.now() + lostAfterMs;
  let lost = false;
  let asking = false;

  function put(children) {
    const held = main.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
    main.replaceChildren(...children);
    if (held === null) return;
    const same = [...main.querySelectorAll("a")].find((each) => each.getAttribute("href") === held);
    if (same !== undefined) same.focus({ preventScroll: true });
  }

  function take(text) {
    const page = new DOMParser().parseFromString(text, "text/html");
    const news = page.querySelector("main[data-lost-after-ms]");
    if (news === null) return false;
    blank = document.adoptNode(page.getElementById("lost")).content;
    title = page.title;
    if (lost || news.innerHTML !== main.innerHTML) put([...news.childNodes]);
    document.title = title;
    lost = false;
    return true;
  }

  async function ask() {
    if (asking || document.hidden) return;
    asking = true;
    const askedMs = performance.now();
    try {
      const answer = await fetch(location.href, { signal: AbortSignal.timeout(lostAfterMs) });
      // One bench alone has no list: the list leads to its page.
      if (answer.redirected) return location.replace(answer.url);
      if (answer.ok && take(await answer.text())) goodUntil = askedMs + lostAfterMs;
    } catch {
      // Told by the silence.
    } finally {
      asking = false;
    }
  }

  function watch() {
    if (lost || performance.now() <= goodUntil) return;
    lost = true;
    document.title = `Lost · ${title}`;
    put([blank.cloneNode(true)]);
  }

  document.addEventListener("visibilitychange", () => { watch(); ask(); });
  window.addEventListener("pageshow", () => { watch(); ask(); });
  setInterval(watch, 250);
  setInterval(ask, everyMs);
})();
