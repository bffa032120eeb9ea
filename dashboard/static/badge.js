// Takes a badge scanned on a bench's page where nobody is signed in: to the sign-in, with the name filled in.
"use strict";

(() => {
  const { verbs, signIn } = document.getElementById("bench").dataset;
  const others = new Set(verbs.split(" "));
  const said = document.getElementById("said");

  document.addEventListener("scan", (event) => {
    // A badge holds the name alone, or the request to sign in; a number alone is on goods.
    const name = event.detail.match(/^(?:sign-in technician=)?([\w.-]{1,40})$/)?.[1] ?? "";
    if (/[A-Za-z]/.test(name) && !others.has(name)) {
      location.assign(`${signIn}?${new URLSearchParams({ name, next: location.pathname })}`);
      return;
    }
    said.textContent = "Nobody is signed in at this page, so nothing was asked. Scan your badge first, or sign in.";
    said.className = "bad";
  });
})();
