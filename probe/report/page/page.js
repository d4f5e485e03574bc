"use strict";
/* Search, filters and copying: nothing is shown by it that is not there without it. */
(() => {
  // Base64 has every short word somewhere.
  const wordsOf = (element) => {
    const copy = element.cloneNode(true);
    copy.querySelectorAll("pre").forEach((pre) => pre.remove());
    return copy.textContent;
  };
  const form = document.querySelector(".filter");
  const parts = [...document.querySelectorAll("[data-filter]")].map((element) => ({
    element,
    text: wordsOf(element).toLowerCase(),
    nodes: (element.dataset.nodes || "").split(" "),
    endpoints: element.dataset.endpoint === undefined ? null : element.dataset.endpoint.split(" "),
    verdict: element.dataset.verdict,
  }));
  const output = form.querySelector("output");
  const shown = (part) => {
    const words = form.elements.words.value.toLowerCase().split(/\s+/).filter(Boolean);
    const node = form.elements.node.value;
    const endpoint = form.elements.endpoint.value;
    const verdicts = [...form.querySelectorAll("[name=verdict]:checked")].map((box) => box.value);
    return words.every((word) => part.text.includes(word))
      && (node === "" || part.nodes.includes(node))
      && (endpoint === "" || part.endpoints === null || part.endpoints.includes(endpoint))
      && (part.verdict === undefined || verdicts.includes(part.verdict));
  };
  const apply = () => {
    let count = 0;
    for (const part of parts) {
      const fits = shown(part);
      part.element.classList.toggle("left-out", !fits);
      count += fits ? 1 : 0;
    }
    output.textContent = count === parts.length ? "" : `${count} of ${parts.length} entries shown`;
  };
  form.addEventListener("input", apply);
  form.addEventListener("reset", () => setTimeout(apply));
  form.addEventListener("submit", (event) => event.preventDefault());
  const follow = () => {
    const target = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (target === null) return;
    if (target.closest(".left-out")) {
      form.reset();
      apply();
      target.scrollIntoView();
    }
    const folded = target.querySelector(":scope > details");
    if (folded !== null && target.classList.contains("certificate")) folded.open = true;
    if (target.tabIndex === -1) target.focus({ preventScroll: true });
  };
  addEventListener("hashchange", follow);
  form.hidden = parts.length === 0;

  for (const button of document.querySelectorAll(".copy")) {
    const pre = button.parentElement.querySelector("pre");
    button.hidden = false;
    button.addEventListener("click", async () => {
      try {
        await navigator.clipboard.writeText(pre.textContent);
        button.textContent = "Copied";
      } catch {
        getSelection().selectAllChildren(pre);
        button.textContent = document.execCommand("copy") ? "Copied" : "Selected: copy it now";
      }
    });
  }

  const folded = [];
  addEventListener("beforeprint", () => {
    for (const element of document.querySelectorAll("details:not([open])")) {
      element.open = true;
      folded.push(element);
    }
  });
  addEventListener("afterprint", () => {
    while (folded.length) folded.pop().open = false;
  });
  apply();
})();
