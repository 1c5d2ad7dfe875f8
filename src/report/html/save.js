'use strict';
// Files are unpacked while they are saved, and closed parts are printed.

// A packed link as text.
async function unpacked(link) {
  const text = atob(link.href.slice(link.href.indexOf(',') + 1));
  const bytes = Uint8Array.from(text, (c) => c.charCodeAt(0));
  if (!link.dataset.plain) return new TextDecoder().decode(bytes);
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream('gzip'));
  return new Response(stream).text();
}

// Packed files are saved unpacked.
for (const link of document.querySelectorAll('a[data-plain]')) {
  if (!('DecompressionStream' in window)) break;
  link.textContent = link.textContent.replace(/\.gz\)$/, ')');
  link.addEventListener('click', async (event) => {
    event.preventDefault();
    const url = URL.createObjectURL(new Blob([await unpacked(link)], {type: link.dataset.kind}));
    const save = document.createElement('a');
    save.href = url;
    save.download = link.dataset.plain;
    save.click();
    setTimeout(() => URL.revokeObjectURL(url), 10000);
  });
}

// Closed parts are opened for printing, and closed again.
let opened = [];
addEventListener('beforeprint', () => {
  opened = [...document.querySelectorAll('details:not([open])')];
  for (const d of opened) d.open = true;
});
addEventListener('afterprint', () => {
  for (const d of opened) d.open = false;
  opened = [];
});
