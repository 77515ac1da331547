// What a test asks of a page that is open. Each function returns what is wrong, in words; an empty list is good.
var texts = () => {
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), found = [];
  while (walker.nextNode()) {
    const node = walker.currentNode, over = node.parentElement;
    if (!node.data.trim() || over.closest('[aria-hidden=true], script, style, title, details:not([open]) > :not(summary)')) continue;
    if (getComputedStyle(over).visibility === 'hidden') continue;
    found.push(node);
  }
  return found;
};

// Text beyond the window's edge, or beyond that of something that hides what does not fit. What can be scrolled is not cut.
var cutText = () => {
  const found = [];
  if (document.documentElement.scrollWidth > window.innerWidth) {
    found.push(`the page is ${document.documentElement.scrollWidth} wide in a window of ${window.innerWidth}`);
  }
  for (const node of texts()) {
    const range = document.createRange();
    range.selectNodeContents(node);
    for (const box of range.getClientRects()) {
      let left = 0, right = window.innerWidth, reachable = false;
      for (let over = node.parentElement; over && over !== document.documentElement; over = over.parentElement) {
        const how = getComputedStyle(over).overflowX;
        if (how === 'auto' || how === 'scroll') { reachable = true; break; }
        if (how === 'hidden' || how === 'clip' || over.tagName === 'svg') {
          const edge = over.getBoundingClientRect();
          left = Math.max(left, edge.left); right = Math.min(right, edge.right);
        }
      }
      if (!reachable && box.width && (box.left < left - 1 || box.right > right + 1)) found.push(node.data.trim().slice(0, 60));
    }
  }
  return found;
};

// Words that lie on other words.
var overlaps = () => {
  const boxes = [];
  for (const node of texts()) {
    const range = document.createRange();
    range.selectNodeContents(node);
    for (const box of range.getClientRects()) if (box.width > 1) boxes.push([box, node]);
  }
  boxes.sort((a, b) => a[0].top - b[0].top);
  const found = [];
  for (let i = 0; i < boxes.length; i++) {
    for (let j = i + 1; j < boxes.length && boxes[j][0].top < boxes[i][0].bottom; j++) {
      const [a, one] = boxes[i], [b, other] = boxes[j];
      const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (wide > 2 && high > 0.4 * Math.min(a.height, b.height) && one !== other) {
        found.push(`${one.data.trim().slice(0, 30)} / ${other.data.trim().slice(0, 30)}`);
      }
    }
  }
  return found;
};

// Contrast of text with what it stands on: WCAG 2.2, 1.4.3 (relative luminance and 4.5:1), from memory.
var parsed = (colour) => {
  const parts = colour.match(/[\d.]+/g).map(Number);
  return parts.length < 4 ? [...parts, 1] : parts;
};
var luminance = (colour) => {
  const [r, g, b] = colour.slice(0, 3).map((each) => each / 255).map((each) => (each <= 0.04045 ? each / 12.92 : ((each + 0.055) / 1.055) ** 2.4));
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
};
var pale = (least) => {
  const found = [];
  for (const node of texts()) {
    const over = node.parentElement, style = getComputedStyle(over);
    const ink = parsed(over.closest('svg') ? style.fill : style.color);
    let ground = [255, 255, 255, 1];
    for (let each = over; each; each = each.parentElement) {
      const behind = parsed(getComputedStyle(each).backgroundColor);
      if (behind[3] === 1) { ground = behind; break; }
    }
    const [light, dark] = [luminance(ink), luminance(ground)].sort((a, b) => b - a);
    const ratio = (light + 0.05) / (dark + 0.05);
    if (ink[3] < 1 || ratio < least) found.push(`${node.data.trim().slice(0, 40)}: ${ratio.toFixed(1)}`);
  }
  return found;
};

// Pictures without words, tables without caption or headers.
var unlabelled = () => {
  const found = [];
  for (const each of document.querySelectorAll('img')) if (!(each.alt || '').trim()) found.push('img without alt');
  for (const each of document.querySelectorAll('svg')) {
    if (!each.closest('[role=img][aria-label]:not([aria-label=""]), [aria-hidden=true]')) found.push('svg without words');
  }
  for (const each of document.querySelectorAll('table')) {
    if (!each.caption || !each.caption.textContent.trim()) found.push('table without caption');
    for (const row of each.rows) if (!row.querySelector('th[scope]')) found.push(`row without header: ${row.textContent.slice(0, 40)}`);
  }
  if (!document.documentElement.lang) found.push('page without language');
  if (document.querySelectorAll('h1').length !== 1) found.push('not one h1');
  let before = 0;
  for (const each of document.querySelectorAll('h1, h2, h3, h4')) {
    const level = Number(each.tagName[1]);
    if (level > before + 1) found.push(`heading ${each.textContent.slice(0, 40)} skips a level`);
    before = level;
  }
  return found;
};

// Pictures that did not load.
var broken = () => [...document.images].filter((each) => !each.complete || !each.naturalWidth).map((each) => each.alt);
