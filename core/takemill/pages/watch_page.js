"use strict";
// Asks each second whether there is news, and shows it; says so where nobody answers any more.
(() => {
  const main = document.querySelector("main"), lost = document.getElementById("lost");
  const ask = async () => {
    try {
      const answer = await fetch(`news?since=${main.dataset.version}`, {cache: "no-store"});
      if (answer.status === 200) {
        main.innerHTML = await answer.text();
        main.dataset.version = answer.headers.get("X-Version");
      } else if (answer.status !== 204) throw new Error(answer.statusText);
      lost.hidden = true;
    } catch {
      lost.hidden = false;
    }
    setTimeout(ask, 1000);
  };
  setTimeout(ask, 1000);
})();
