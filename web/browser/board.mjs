// The board against the database, its filters, and its keyboard.
import assert from 'node:assert/strict';
import test from 'node:test';
import { sql, until, withPage } from './support.mjs';

test('every regulator in service is on the board once, with its latest load voltage', async () => {
  await withPage({}, async (page) => {
    await page.goto('/');
    const regulators = await sql('select id from regulator where retired_at is null order by id');
    const ids = await page.locator('#board tr[id]').evaluateAll((rows) => rows.map((row) => Number(row.id.slice(1))));
    assert.deepEqual(ids.toSorted((a, b) => a - b), regulators.map((r) => r.id));
    // The picture moves on while we look, so each value shown must be one that was stored in the last minutes.
    const shown = await page.locator('#board tr[id]').evaluateAll((rows) =>
      rows.map((row) => ({ id: Number(row.id.slice(1)), at: Number(row.dataset.at), volts: row.querySelector('.c-volts').textContent })),
    );
    let compared = 0;
    for (const { id, at, volts } of shown.filter((s) => s.volts.endsWith('V')).slice(0, 40)) {
      const [row] = await sql('select load_voltage from reading where regulator_id = $1 and measured_at >= $2 and measured_at < $2::timestamptz + interval \'1 ms\'', [id, new Date(at)]);
      // one decimal; what lies in the middle may be rounded either way
      assert.ok(Math.abs(parseFloat(volts) - row.load_voltage) < 0.0501, `regulator ${id}: ${volts} of ${row.load_voltage}`);
      compared += 1;
    }
    assert.ok(compared > 0, 'some regulator has a usable voltage');
  });
});

test('what needs a hand stands above what does not, and the counts agree with the rows', async () => {
  await withPage({ javaScriptEnabled: false }, async (page) => {
    await page.goto('/');
    const states = await page.locator('#board tr[id]').evaluateAll((rows) => rows.map((row) => row.dataset.state));
    const first = states.indexOf('healthy');
    assert.ok(first < 0 || states.slice(first).every((state) => state === 'healthy'));
    for (const item of await page.locator('#tally a').all()) {
      const state = await item.getAttribute('data-state');
      assert.equal(Number(await item.locator('b').textContent()), states.filter((s) => s === state).length, state);
    }
  });
});

test('open alarms of the database are named at their regulators', async () => {
  const alarms = await sql('select id, regulator_id from alarm where returned_at is null and regulator_id is not null limit 20');
  await withPage({}, async (page) => {
    await page.goto('/');
    for (const { id, regulator_id: regulator } of alarms) {
      await until(page, ([r, a]) => document.querySelector(`#r${r} .c-alarms a[href="/alarms/${a}"]`) !== null, [regulator, id]);
    }
  });
});

test('filters narrow the board without script, and each has its address', async () => {
  const [site] = await sql('select s.name from site s join bank b on b.site_id = s.id join regulator r on r.bank_id = b.id where r.retired_at is null limit 1');
  await withPage({ javaScriptEnabled: false }, async (page) => {
    await page.goto('/');
    const all = await page.locator('#board tr[id]').count();
    await page.getByRole('searchbox', { name: 'Name' }).fill(site.name);
    await page.getByRole('button', { name: 'Filter' }).click();
    assert.equal(new URL(page.url()).searchParams.get('q'), site.name);
    const some = await page.locator('#board tr[id]').count();
    assert.ok(some > 0 && some < all, `${some} of ${all}`);
    await page.goto('/?view=place');
    assert.ok((await page.locator('#board tr.group h2').first().textContent()).includes(' › '));
    await page.goto('/?state=healthy');
    assert.ok((await page.locator('#board tr[id]').evaluateAll((rows) => rows.map((r) => r.dataset.state))).every((s) => s === 'healthy'));
  });
});

test('the keyboard reaches content, search and a site', async () => {
  await withPage({}, async (page) => {
    await page.goto('/');
    await page.keyboard.press('Tab');
    assert.equal(await page.evaluate(() => document.activeElement.textContent), 'Skip to content');
    await page.keyboard.press('Enter');
    assert.equal(await page.evaluate(() => document.activeElement.id), 'content');
    await page.locator('#board tbody a[href^="/site/"]').first().focus();
    const outlined = await page.evaluate(() => getComputedStyle(document.activeElement).outlineStyle);
    assert.equal(outlined, 'solid');
    await page.keyboard.press('Enter');
    await page.waitForURL(/\/site\/\d+/);
  });
});
