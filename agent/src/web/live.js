// Values as they change. Everything works without this: the page says itself when it has grown old.
(() => {
  'use strict';
  const main = () => document.getElementById('main');
  // Whoever is about to write or has something open is not disturbed.
  const busy = () => {
    const at = document.activeElement;
    return at && (at.tagName === 'INPUT' || at.tagName === 'SELECT' || at.tagName === 'TEXTAREA');
  };
  const young = () => {
    const old = document.querySelector('.old');
    if (old) old.replaceWith(old.cloneNode(true));
  };
  let loading = false;
  const load = async () => {
    if (loading || busy()) return;
    loading = true;
    try {
      const reply = await fetch(location.href, { headers: { Accept: 'text/html' } });
      if (!reply.ok) return;
      const page = new DOMParser().parseFromString(await reply.text(), 'text/html');
      const fresh = page.getElementById('main');
      if (!fresh || busy()) return;
      const all = [...main().querySelectorAll('a,button,summary')];
      const focused = all.indexOf(document.activeElement);
      const open = [...main().querySelectorAll('details')].map(one => one.open);
      const before = main().querySelector('h1');
      const after = fresh.querySelector('h1');
      main().replaceWith(fresh);
      document.title = page.title;
      document.body.dataset.shape = page.body.dataset.shape;
      document.body.className = page.body.className;
      main().querySelectorAll('details').forEach((one, nth) => { if (open[nth]) one.open = true; });
      if (focused >= 0) { const next = main().querySelectorAll('a,button,summary')[focused]; if (next) next.focus({ preventScroll: true }); }
      if (before && after && before.textContent !== after.textContent) document.getElementById('said').textContent = after.textContent;
    } catch (_) {
      // The page grows old and says so.
    } finally {
      loading = false;
    }
  };
  const stream = new EventSource('/live');
  stream.addEventListener('values', event => {
    young();
    for (const [name, value] of Object.entries(JSON.parse(event.data)))
      for (const one of document.querySelectorAll('[data-v="' + name + '"]')) if (one.textContent !== value) one.textContent = value;
  });
  stream.addEventListener('shape', event => { if (event.data !== document.body.dataset.shape) load(); });
  addEventListener('pagehide', () => stream.close());
})();
