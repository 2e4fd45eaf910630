"use strict";
// Lists of takes and clips: sorted, filtered, and drawn a screenful at a time. A small figure is (T, P, 2) bytes.
(() => {
  const shoot = JSON.parse(document.getElementById("shoot").textContent);
  const at = (id) => document.getElementById(id);
  const [NAME, KIND, SET, NUMBER, TAKE, SECONDS, SPEED, SEAM, QUALITY, BYTES, LOOP, CHANGE, MOVED, POINTS] = Array(14).keys();
  const STEP = 60, ROWS = 200, calm = matchMedia("(prefers-reduced-motion: reduce)");

  const make = (tag, text, more = {}) => {
    const one = Object.assign(document.createElement(tag), more);
    if (text !== undefined) one.textContent = text;
    return one;
  };
  const compare = (a, b) => (typeof a === "string" ? a.localeCompare(b) : (a ?? -1) - (b ?? -1));

  // Takes
  const heads = [["take", 0, false], ["seconds", 1, true], ["findings", 2, true], ["left", 3, true],
    ["jitter °, raw", 4, true], ["repaired", 5, true], ["skating cm/s, raw", 6, true], ["repaired", 7, true]];
  let sorted = {key: 3, down: true}, rows = ROWS;
  const showTakes = () => {
    const order = [...shoot.takes.keys()].sort((a, b) => {
      const [x, y] = [shoot.takes[a], shoot.takes[b]];
      const first = compare(x[sorted.key], y[sorted.key]) || compare(x[2], y[2]);
      return (sorted.down ? -first : first) || a - b;
    });
    const head = make("tr");
    heads.forEach(([label, key, right]) => {
      const cell = make("th", undefined, {scope: "col", className: right ? "n" : ""});
      if (key === sorted.key) cell.ariaSort = sorted.down ? "descending" : "ascending";
      const button = make("button", label, {type: "button"});
      button.dataset.key = key;
      button.addEventListener("click", () => {
        sorted = {key, down: key === sorted.key ? !sorted.down : key !== 0};
        showTakes();
        at("take-table").querySelector(`button[data-key="${key}"]`).focus();
      });
      cell.append(button);
      head.append(cell);
    });
    head.append(make("th", "what is found", {scope: "col"}));
    const body = make("tbody");
    for (const take of order.slice(0, rows).map((k) => shoot.takes[k])) {
      const row = make("tr");
      row.append(make("th", take[0], {scope: "row"}));
      for (let k = 1; k < 8; k++) row.append(make("td", take[k] == null ? "" : k === 1 ? take[k].toFixed(1) : String(take[k]), {className: "n"}));
      const cell = make("td");
      for (const [kind, repaired, left, worst] of take[8]) {
        const part = make("span", `${kind} ${repaired + left}${left ? `, ${left} left` : ""}; `, {title: worst});
        if (left) part.className = "bad";
        cell.append(part);
      }
      row.append(cell);
      body.append(row);
    }
    const top = make("thead");
    top.append(head);
    at("take-table").replaceChildren(top, body);
    at("more-takes").hidden = order.length <= rows;
  };
  at("more-takes").addEventListener("click", () => { rows += ROWS; showTakes(); });

  // Clips
  const choices = (id, all, values) => {
    at(id).append(make("option", all, {value: ""}), ...values.map((one) => make("option", one, {value: one})));
  };
  const unique = (values) => [...new Set(values)].sort();
  choices("by-kind", "all", unique(shoot.clips.map((clip) => clip[KIND])));
  choices("by-character", "all", unique(shoot.sets.map((one) => one[1])));
  choices("by-finding", "any or none", shoot.findings.filter((kind) => shoot.takes.some((take) => take[8].some((one) => one[0] === kind))));
  choices("by-change", shoot.compared ? "all" : "nothing to compare with", shoot.compared ? ["changed", "new", "as before"] : []);
  const orders = {"as in the sets": [NUMBER, 0], "largest change": [MOVED, -1], "widest seam": [SEAM, -1], fastest: [SPEED, -1], longest: [SECONDS, -1], largest: [BYTES, -1], name: [NAME, 1]};
  at("by-order").append(...Object.keys(orders).map((one) => make("option", one, {value: one})));
  const found = new Map(shoot.findings.map((kind) => [kind, new Set(shoot.takes.flatMap((take, k) => (take[8].some((one) => one[0] === kind) ? [k] : [])))]));

  let shown = [], drawn = 0;
  const figures = new Map();
  const watch = new IntersectionObserver((entries) => {
    for (const {target, isIntersecting} of entries) {
      if (isIntersecting) figures.set(target, figure(target));
      else figures.delete(target);
    }
    draw(performance.now());
    begin();
  });

  const figure = (canvas) => {
    const clip = shoot.clips[canvas.dataset.clip];
    const bytes = Int8Array.from(atob(clip[POINTS]), (letter) => letter.charCodeAt(0) << 24 >> 24);
    return {bytes, frames: bytes.length / shoot.points / 2, seconds: Math.max(clip[SECONDS], 0.2)};
  };
  const drawOne = (canvas, {bytes, frames, seconds}, now, colour) => {
    const pen = canvas.getContext("2d");
    const [width, height] = [canvas.width, canvas.height], scale = height / 230;
    const time = calm.matches ? 0 : ((now / 1000) % seconds) / seconds * (frames - 1);
    const low = Math.min(Math.floor(time), Math.max(frames - 2, 0)), part = time - low, step = 2 * shoot.points;
    const value = (k) => bytes[low * step + k] * (1 - part) + (bytes[Math.min(low + 1, frames - 1) * step + k] ?? 0) * part;
    const point = (k) => [width / 2 + value(2 * k) * scale, height / 2 + value(2 * k + 1) * scale];
    pen.clearRect(0, 0, width, height);
    pen.lineWidth = 2.4;
    pen.lineCap = "round";
    pen.strokeStyle = colour;
    pen.beginPath();
    for (const [one, other] of shoot.limbs) {
      pen.moveTo(...point(one));
      pen.lineTo(...point(other));
    }
    pen.stroke();
    pen.beginPath();
    pen.arc(...point(2), 5, 0, 7);
    pen.stroke();
  };
  const ink = () => getComputedStyle(document.documentElement).getPropertyValue("--ink").trim();
  const draw = (now) => {
    const colour = ink();
    figures.forEach((one, canvas) => drawOne(canvas, one, now, colour));
  };
  let running = false;
  const begin = () => {
    if (running || calm.matches || !figures.size) return;
    running = true;
    const next = (now) => {
      running = figures.size > 0 && !calm.matches;
      draw(now);
      if (running) requestAnimationFrame(next);
    };
    requestAnimationFrame(next);
  };

  const card = (k, colour) => {
    const clip = shoot.clips[k], [folder, character, report] = shoot.sets[clip[SET]];
    const item = make("li"), words = make("div"), canvas = make("canvas", undefined, {width: 120, height: 128});
    canvas.dataset.clip = k;
    canvas.setAttribute("aria-hidden", "true");
    const seam = clip[SEAM] == null ? (clip[LOOP] ? "closed" : "") : `${clip[SEAM].toFixed(2)} cm, ${clip[QUALITY]}`;
    words.append(
      make("a", clip[NAME], {href: `${report}#clip-${clip[NUMBER]}`}),
      make("p", `${clip[KIND]}${clip[LOOP] ? ", loop" : ""}; ${character}`),
      make("p", `${clip[SECONDS].toFixed(2)} s, ${clip[SPEED].toFixed(2)} m/s, ${Math.round(clip[BYTES] / 1024)} kB`, {className: "soft"}),
    );
    if (seam) words.append(make("p", `seam ${seam}`, {className: "soft"}));
    if (clip[CHANGE]) words.append(make("p", clip[CHANGE].endsWith(" mm") ? `moved by up to ${clip[CHANGE]}` : clip[CHANGE], {className: "before"}));
    item.title = folder;
    item.append(canvas, words);
    drawOne(canvas, figure(canvas), 0, colour);  // one that is not in view yet, or on paper, stands still
    watch.observe(canvas);
    return item;
  };
  const more = () => {
    const next = shown.slice(drawn, drawn + STEP), colour = ink();
    at("cards").append(...next.map((k) => card(k, colour)));
    drawn += next.length;
    at("more").hidden = drawn >= shown.length;
  };
  const filter = () => {
    const text = at("by-name").value.toLowerCase(), kind = at("by-kind").value, who = at("by-character").value;
    const takes = found.get(at("by-finding").value), change = at("by-change").value;
    const fits = {changed: (clip) => clip[CHANGE] !== "" && clip[CHANGE] !== "new", new: (clip) => clip[CHANGE] === "new", "as before": (clip) => clip[CHANGE] === ""}[change];
    shown = [...shoot.clips.keys()].filter((k) => {
      const clip = shoot.clips[k];
      return (!text || clip[NAME].toLowerCase().includes(text)) && (!kind || clip[KIND] === kind) &&
        (!who || shoot.sets[clip[SET]][1] === who) && (!takes || takes.has(clip[TAKE])) && (!fits || fits(clip));
    });
    const [key, sign] = orders[at("by-order").value];
    if (sign) shown.sort((a, b) => sign * compare(shoot.clips[a][key], shoot.clips[b][key]) || a - b);
    watch.disconnect();
    figures.clear();
    at("cards").replaceChildren();
    drawn = 0;
    more();
    at("count").textContent = `${shown.length} of ${shoot.clips.length} clips`;
  };
  at("more").addEventListener("click", () => {
    const last = drawn;
    more();
    at("cards").children[last]?.querySelector("a").focus();
  });
  at("filters").addEventListener("input", filter);
  at("filters").addEventListener("submit", (event) => event.preventDefault());
  calm.addEventListener("change", begin);
  showTakes();
  filter();
})();
