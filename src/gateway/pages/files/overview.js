"use strict";
// The page is whole without this script; it only brings the figures up to date.
const state = document.getElementById("state");
const following = document.getElementById("following");
const failed = document.getElementById("failed");
document.getElementById("refresh").hidden = false;

async function refresh() {
  if (!following.checked || document.hidden || state.contains(document.activeElement)) return;
  try {
    const answer = await fetch("/", { cache: "no-store", signal: AbortSignal.timeout(5000) });
    if (!answer.ok) throw new Error(answer.statusText);
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    state.replaceChildren(...page.getElementById("state").childNodes);
    failed.textContent = "";
  } catch {
    failed.textContent = "No answer: these figures are old.";
  }
}
setInterval(refresh, 5000);
