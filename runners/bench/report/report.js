"use strict";

// The page is whole without this: tables are in order, and all pictures stand side by side.

const make = (name, properties, ...children) => {
  const element = Object.assign(document.createElement(name), properties);
  element.append(...children);
  return element;
};

// ---- Tables: headings become buttons that sort.

const before = (x, y) => {
  const [a, b] = [Number(x), Number(y)];
  if (isNaN(a) !== isNaN(b)) return isNaN(a) ? 1 : -1;
  return isNaN(a) ? x.localeCompare(y) : b - a;
};

const sortable = (table) => {
  const heads = [...table.querySelectorAll("thead th")];
  heads.forEach((head, at) => {
    const button = make("button", { type: "button" }, ...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const up = head.getAttribute("aria-sort") === "descending";
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      const key = (row) => row.cells[at].textContent;
      const known = (row) => !["-", ""].includes(key(row));
      const rows = [...table.tBodies[0].rows];
      const first = rows.filter(known).sort((a, b) => before(key(a), key(b)) * (up ? -1 : 1));
      table.tBodies[0].append(...first, ...rows.filter((row) => !known(row)));
    });
  });
};

// ---- Pictures: two of a crop's laid over each other.

const SIZES = ["fit", "100 %", "200 %", "400 %"];
const MOST_HIGH = 0.8; // of the window: the whole picture is in sight
const zooms = []; // of all scenes: who wants one larger wants all
const BLINK_MS = 700; // under three changes a second: a faster blink can do harm
const calm = matchMedia("(prefers-reduced-motion: reduce)");

const choice = (label, names, at) => {
  const select = make("select", {}, ...names.map((name) => make("option", {}, name)));
  select.selectedIndex = at;
  return [select, make("label", {}, label, select)];
};

// Which pictures of each crop stand beside each other: the same ones for all crops of a scene.
const besides = (crops, labels) => {
  const boxes = labels.map(() => make("input", { type: "checkbox", checked: true }));
  const show = () => crops.querySelectorAll(".crop").forEach((crop) => {
    [...crop.querySelectorAll("figure")].forEach((figure, at) => (figure.hidden = !boxes[at].checked));
  });
  const put = (wanted) => {
    boxes.forEach((box, at) => (box.checked = wanted(at)));
    show();
  };
  const all = make("button", { type: "button" }, "All");
  const one = make("button", { type: "button" }, `${labels[0]} alone`);
  all.addEventListener("click", () => put(() => true));
  one.addEventListener("click", () => put((at) => at === 0));
  boxes.forEach((box) => box.addEventListener("change", show));
  const named = boxes.map((box, at) => make("label", {}, box, ` ${labels[at]}`));
  return make("fieldset", { className: "besides" }, make("legend", {}, "Beside each other"), all, one, ...named);
};

const comparison = (crops) => {
  const sets = [...crops.querySelectorAll(".crop")].map((crop) => ({
    name: crop.querySelector("h4").textContent,
    images: [...crop.querySelectorAll("img")],
    labels: [...crop.querySelectorAll("figcaption")].map((caption) => caption.textContent),
  }));
  const labels = sets[0].labels;
  const [place, placeLabel] = choice("crop", sets.map((set) => set.name), 0);
  const [left, leftLabel] = choice("left, or first", labels, 0);
  const [right, rightLabel] = choice("right, or second", labels, Math.min(2, labels.length - 1));
  const [zoom, zoomLabel] = choice("size", SIZES, 0);
  const swap = make("button", { type: "button" }, "Swap");
  const flip = make("button", { type: "button" }, "Flip");
  const blink = make("button", { type: "button" }, "Blink");
  const range = make("input", { type: "range", min: 0, max: 100, step: 1, value: 50 });
  range.setAttribute("aria-label", "Divider between the two pictures");
  const [under, over] = [make("img", {}), make("img", {})];
  const divider = make("div", { className: "divider" });
  const stage = make("div", { className: "stage" }, under, over, divider);
  const told = make("p", { className: "told" });
  told.setAttribute("role", "status");
  const help = make("p", { className: "note" });
  let timer = 0;
  let alone = ""; // "first" or "second" while one picture is shown alone

  // A stage that begins between two of the screen's pixels would mix its first row with what is above.
  const settle = () => {
    stage.style.marginTop = "0px";
    const top = stage.getBoundingClientRect().top + window.scrollY;
    stage.style.marginTop = `${Math.ceil(top) - top}px`;
  };

  // As large as there is room for, by whole pixels of the screen: nothing is smoothed.
  const fitting = (width, height) => {
    const room = whole.getBoundingClientRect().width || width;
    const most = Math.min(room / width, (MOST_HIGH * window.innerHeight) / height);
    const steps = Math.max(1, Math.floor(most * window.devicePixelRatio));
    return steps / window.devicePixelRatio;
  };

  const show = () => {
    const set = sets[place.selectedIndex];
    [[over, left], [under, right]].forEach(([image, chosen]) => {
      const from = set.images[chosen.selectedIndex];
      image.src = from.src;
      image.alt = from.alt;
    });
    const stored = ["width", "height"].map((side) => Number(set.images[0].getAttribute(side)));
    const scale = zoom.value === "fit" ? fitting(...stored) : parseInt(zoom.value, 10) / 100;
    const [width, height] = stored.map((side) => side * scale);
    stage.style.width = range.style.width = `${width}px`;
    stage.style.height = `${height}px`;
    stage.dataset.shown = alone || "both";
    over.style.clipPath = alone ? "none" : `inset(0 ${100 - range.value}% 0 0)`;
    divider.style.left = `${range.value}%`;
    range.setAttribute("aria-valuetext", `${range.value} % ${left.value}, the rest ${right.value}`);
    blink.setAttribute("aria-pressed", String(timer !== 0));
    blink.disabled = calm.matches;
    help.textContent = "Drag, or move the divider with the arrow keys. In here F shows the first or "
      + "the second picture alone, S swaps them, "
      + (calm.matches ? "and nothing blinks: your system asks for less motion." : "B blinks.");
    const names = { "": `left ${left.value} | right ${right.value}`, first: left.value, second: right.value };
    settle();
    told.textContent = timer ? `blinking: ${left.value} | ${right.value}` : `shown: ${names[alone]}`;
  };
  const stop = () => {
    clearInterval(timer);
    timer = 0;
  };
  const turn = () => {
    alone = alone === "first" ? "second" : "first";
    show();
  };
  const toggleBlink = () => {
    if (timer) {
      stop();
      alone = "";
    } else if (!calm.matches) {
      timer = setInterval(turn, BLINK_MS);
      alone = "first";
    }
    show();
  };
  const slide = () => {
    stop();
    alone = "";
    show();
  };
  const flipped = () => {
    stop();
    turn();
  };
  const swapped = () => {
    [left.selectedIndex, right.selectedIndex] = [right.selectedIndex, left.selectedIndex];
    show();
  };
  const follow = (event) => {
    const box = stage.getBoundingClientRect();
    range.value = Math.round((100 * (event.clientX - box.left)) / box.width);
    slide();
  };

  stage.addEventListener("pointerdown", (event) => {
    event.preventDefault();
    stage.setPointerCapture(event.pointerId);
    range.focus({ preventScroll: true });
    follow(event);
  });
  stage.addEventListener("pointermove", (event) => {
    if (stage.hasPointerCapture(event.pointerId)) follow(event);
  });
  range.addEventListener("input", slide);
  [place, left, right].forEach((select) => select.addEventListener("change", show));
  zooms.push({ zoom, show });
  zoom.addEventListener("change", () => {
    // Pictures above grow, too: what one looks at stays where it is on the screen.
    const before = zoom.getBoundingClientRect().top;
    zooms.forEach((other) => {
      other.zoom.selectedIndex = zoom.selectedIndex;
      other.show();
    });
    window.scrollBy({ top: zoom.getBoundingClientRect().top - before, behavior: "instant" });
  });
  swap.addEventListener("click", swapped);
  flip.addEventListener("click", flipped);
  blink.addEventListener("click", toggleBlink);
  calm.addEventListener("change", () => (timer ? slide() : show()));
  const keys = { b: toggleBlink, f: flipped, s: swapped };
  const whole = make(
    "div",
    { className: "compare" },
    make("div", { className: "controls" }, placeLabel, leftLabel, rightLabel, zoomLabel, swap, flip, blink),
    make("div", { className: "frame" }, stage, range, told),
    help,
  );
  whole.setAttribute("role", "group");
  whole.setAttribute("aria-label", "Comparison of two pictures");
  whole.addEventListener("keydown", (event) => {
    const act = keys[event.key.toLowerCase()];
    const typing = event.target.tagName === "SELECT" || event.ctrlKey || event.metaKey || event.altKey;
    if (act && !typing) act();
  });

  crops.before(whole);
  const fold = make("details", {}, make("summary", {}, "All pictures and error maps side by side"));
  crops.before(fold);
  fold.append(besides(crops, labels), crops);
  show();
  window.addEventListener("load", settle);
  window.addEventListener("resize", show);
};

// ---- Choices: part of the stacks, as the page has it made ready in templates.

const choosing = (places) => {
  const told = [...document.querySelectorAll("main [data-told], header [data-told]")];
  const parts = new Map([["", new Map(told.map((place) => [place.dataset.told, [...place.childNodes]]))]]);
  document.querySelectorAll("template[data-choice]").forEach(({ dataset, content }) => {
    const own = [...content.querySelectorAll("[data-told]")];
    parts.set(dataset.choice, new Map(own.map((place) => [place.dataset.told, [...place.childNodes]])));
  });
  const factors = JSON.parse(places[0].dataset.factors);
  const all = factors.map(() => 0).join("-");
  parts.set(all, parts.get(""));
  const sets = places.map((place, number) => {
    const lists = factors.map(({ name, levels }) => {
      const own = choice(name, [`all (${levels.length})`, ...levels], 0);
      own[0].dataset.factor = name;
      return own;
    });
    const again = make("button", { type: "button" }, "All stacks");
    const group = make("div", { className: "controls" }, ...lists.map(([, label]) => label), again);
    group.setAttribute("role", "group");
    group.setAttribute("aria-label", number ? "Which stacks the figures below are of" : "Which stacks are told of");
    place.append(group);
    return { selects: lists.map(([select]) => select), again };
  });
  const show = (chosen, by) => {
    // Figures above may grow or shrink: the list that was used stays where it is on the screen.
    const before = by.getBoundingClientRect().top;
    const part = parts.get(chosen.join("-"));
    told.forEach((place) => place.replaceChildren(...part.get(place.dataset.told)));
    sets.forEach(({ selects, again }) => {
      selects.forEach((select, at) => {
        select.selectedIndex = chosen[at];
        [...select.options].forEach((option, level) => {
          option.disabled = !parts.has(chosen.map((own, of) => (of === at ? level : own)).join("-"));
        });
      });
      again.setAttribute("aria-disabled", String(chosen.join("-") === all));
    });
    window.scrollBy({ top: by.getBoundingClientRect().top - before, behavior: "instant" });
  };
  sets.forEach(({ selects, again }) => {
    const now = () => selects.map((select) => select.selectedIndex);
    selects.forEach((select) => select.addEventListener("change", () => show(now(), select)));
    again.addEventListener("click", () => show(factors.map(() => 0), again));
  });
  show(factors.map(() => 0), places[0]);
};

document.querySelectorAll("table:not(.facts)").forEach(sortable);
const chosenBy = [...document.querySelectorAll(".choosers")];
if (chosenBy.length) choosing(chosenBy);
document.querySelectorAll(".scripted").forEach((words) => words.removeAttribute("hidden"));
document.querySelectorAll(".crops").forEach((crops) => {
  if (crops.querySelector(".crop")) comparison(crops);
});
