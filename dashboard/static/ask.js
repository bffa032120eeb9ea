// Sends what a button, a form or a scan (`scan.js`) asks to the bench, and says the answer.
"use strict";

(() => {
  const form = document.getElementById("ask");
  const said = document.getElementById("said");
  const token = form.querySelector("[name=csrf_token]").value;

  function say(words, good) {
    said.textContent = words;
    said.className = good ? "good" : "bad";
  }

  async function ask(fields) {
    say("Asking …", true);
    const body = new URLSearchParams({ ...fields, csrf_token: token });
    try {
      const answer = await fetch(form.action, { method: "POST", body, headers: { Accept: "application/json" } });
      const news = answer.headers.get("Content-Type")?.startsWith("application/json") ? await answer.json() : null;
      say(news?.text ?? "You are not signed in any more, so nothing was asked. Sign in again.", Boolean(news?.accepted));
      return Boolean(news?.accepted);
    } catch {
      say("This page has lost its server, so nothing may have been done. Go by the bench itself.", false);
      return false;
    }
  }

  // A tap that comes twice is one: a button is deaf while its request is under way and for a moment after, and
  // for the time between two taps all of them are, because another may have come to the place of the first.
  const restMs = 1000;
  const tapsMs = 500;
  const deaf = new Set();
  let allDeafUntilMs = -Infinity;

  function mark() {
    for (const button of document.querySelectorAll("[data-ask]")) {
      if (deaf.has(button.dataset.ask)) button.setAttribute("aria-disabled", "true");
      else button.removeAttribute("aria-disabled");
    }
  }

  async function press(request) {
    deaf.add(request);
    mark();
    await ask({ request });
    setTimeout(() => { deaf.delete(request); mark(); }, restMs);
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-ask]");
    if (button === null || deaf.has(button.dataset.ask) || event.timeStamp < allDeafUntilMs) return;
    allDeafUntilMs = event.timeStamp + tapsMs;
    press(button.dataset.ask);
  });
  document.addEventListener("parts", mark);

  // What was written stays until it was taken: it may only want mending.
  document.addEventListener("submit", async (event) => {
    const each = event.target.closest("form.ask");
    if (each === null) return;
    event.preventDefault();
    if (each === form && form.elements.request.value.trim() === "") return;
    if (!await ask(Object.fromEntries(new FormData(each)))) return;
    for (const field of written(each)) field.value = "";
  });

  function written(place) {
    return [...place.querySelectorAll("input:not([type=hidden])")].filter((field) => field.value !== "");
  }

  // The forms follow the bench as the buttons do, but never under somebody's hands.
  let renewing = false;

  async function renew() {
    const forms = document.getElementById("forms");
    const wanted = document.querySelector("[data-part] [data-fields]")?.dataset.fields;
    if (renewing || forms === null || wanted === undefined || wanted === forms.dataset.fields) return;
    if (forms.contains(document.activeElement) || written(forms).length > 0) return;
    renewing = true;
    try {
      const page = await fetch(location.href);
      const fresh = new DOMParser().parseFromString(await page.text(), "text/html").getElementById("forms");
      if (fresh !== null) forms.replaceWith(document.adoptNode(fresh));
    } catch {
      // Without its server the page says so elsewhere.
    } finally {
      renewing = false;
    }
  }

  document.addEventListener("parts", renew);

  const verbs = new Set(document.getElementById("bench").dataset.verbs.split(" "));

  document.addEventListener("scan", (event) => {
    const text = event.detail;
    if (verbs.has(text.split(" ", 1)[0])) ask({ request: text });
    else say(`“${text.slice(0, 40)}” is no request, so nothing was asked. Scan again.`, false);
  });
})();
