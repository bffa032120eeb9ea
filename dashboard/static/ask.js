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
    } catch {
      say("This page has lost its server, so nothing may have been done. Go by the bench itself.", false);
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

  for (const each of document.querySelectorAll("form.ask")) {
    each.addEventListener("submit", (event) => {
      event.preventDefault();
      if (each === form && form.elements.request.value.trim() === "") return;
      ask(Object.fromEntries(new FormData(each)));
      for (const field of each.querySelectorAll("input:not([type=hidden])")) field.value = "";
    });
  }

  const verbs = new Set(document.getElementById("bench").dataset.verbs.split(" "));

  document.addEventListener("scan", (event) => {
    const text = event.detail;
    if (verbs.has(text.split(" ", 1)[0])) ask({ request: text });
    else say(`“${text.slice(0, 40)}” is no request, so nothing was asked. Scan again.`, false);
  });
})();
