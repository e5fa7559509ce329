/* Part of the simulated board, which is linked with libsimavr and used in tests only.
 * SPDX-License-Identifier: GPL-3.0-or-later */

#include "leads.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define INPUT_SIEMENS (1.0 / 1.1e6)
#define BIAS_V 5.0
#define WHISPER_OHM 1.0e6
#define BIAS_OHM 1.0e4
#define OPEN_SIEMENS 0.0
#define STIFF_OHM 0.05
#define FEED_V 12.6

/* A small silicon diode: I = Is (exp(V / (n Vt)) - 1). Typical figures, from memory. */
#define DIODE_SATURATION 2.5e-9
#define DIODE_SLOPE_V (1.75 * 0.02585)

struct sample {
    double time_s;
    double volts[2];
};

static struct {
    struct sample *samples; /* NULL: the circuit counts */
    size_t count;
    size_t at[2];
} recording;

static struct {
    double source_v[2];
    double siemens[2];
    double load_siemens;
    uint8_t bias;
    double volts[2];
} circuit;

/* ---- recording ---- */

static bool append(size_t *room, const struct sample *sample)
{
    if (recording.count == *room) {
        *room = *room == 0 ? 4096 : *room * 2;
        struct sample *more = realloc(recording.samples, *room * sizeof *more);
        if (more == NULL)
            return false;
        recording.samples = more;
    }
    recording.samples[recording.count++] = *sample;
    return true;
}

static bool read_text(FILE *file)
{
    char text[256];
    size_t room = 0;
    struct sample sample;
    if (fgets(text, sizeof text, file) == NULL || strncmp(text, "time_s,lead1_v,lead2_v", 22) != 0)
        return false;
    while (fgets(text, sizeof text, file) != NULL)
        if (sscanf(text, "%lf,%lf,%lf", &sample.time_s, &sample.volts[0], &sample.volts[1]) != 3 ||
            !append(&room, &sample))
            return false;
    return true;
}

static bool read_binary(FILE *file)
{
    size_t room = 0;
    struct sample sample;
    while (fread(&sample, sizeof sample, 1, file) == 1)
        if (!append(&room, &sample))
            return false;
    return true;
}

bool leads_play(const char *path)
{
    size_t length = strlen(path);
    bool binary = length > 4 && strcmp(path + length - 4, ".f64") == 0;
    FILE *file = fopen(path, "rb");
    bool good = file != NULL && (binary ? read_binary(file) : read_text(file)) && recording.count != 0;
    if (file != NULL)
        fclose(file);
    if (!good)
        fprintf(stderr, "board: %s holds no leads\n", path);
    return good;
}

static double played(uint8_t lead, double time_s)
{
    size_t *at = &recording.at[lead];
    if (time_s < recording.samples[*at].time_s)
        *at = 0; /* a run has begun */
    while (*at + 1 < recording.count && recording.samples[*at + 1].time_s <= time_s)
        (*at)++;
    const struct sample *here = &recording.samples[*at];
    if (*at + 1 == recording.count || time_s <= here->time_s)
        return here->volts[lead];
    const struct sample *next = here + 1;
    double part = (time_s - here->time_s) / (next->time_s - here->time_s);
    return here->volts[lead] + part * (next->volts[lead] - here->volts[lead]);
}

/* ---- circuit ---- */

/* Current out of the bias into a lead at `volts`, and its slope. */
static double bias_current(uint8_t bias, double volts, double *slope)
{
    if (bias == 0) {
        *slope = 0;
        return 0;
    }
    if (bias == 1) {
        *slope = -1 / WHISPER_OHM;
        return (BIAS_V - volts) / WHISPER_OHM;
    }
    /* Resistor and diode in series: find the diode's voltage; the sum falls with it, so halving finds it. */
    double across = bias == 2 ? BIAS_V - volts : volts;
    double low = fmin(across, 0);
    double high = 1.5;
    for (int i = 0; i < 60; i++) {
        double middle = (low + high) / 2;
        double diode = DIODE_SATURATION * expm1(middle / DIODE_SLOPE_V);
        if ((across - middle) / BIAS_OHM > diode)
            low = middle;
        else
            high = middle;
    }
    double current = (across - low) / BIAS_OHM;
    double conductance = (current + DIODE_SATURATION) / DIODE_SLOPE_V;
    *slope = -1 / (BIAS_OHM + 1 / conductance);
    return bias == 2 ? current : -current;
}

/* Newton's method on both nodes; the bias is the only part that is not a resistor, and it is monotonic. */
static void settle(void)
{
    double *v = circuit.volts;
    for (int i = 0; i < 100; i++) {
        double current[2], conductance[2];
        for (int lead = 0; lead < 2; lead++) {
            double slope;
            double biased = bias_current((circuit.bias >> (2 * lead)) & 3, v[lead], &slope);
            current[lead] = biased + (circuit.source_v[lead] - v[lead]) * circuit.siemens[lead] -
                            v[lead] * INPUT_SIEMENS + (v[1 - lead] - v[lead]) * circuit.load_siemens;
            conductance[lead] = circuit.siemens[lead] + INPUT_SIEMENS + circuit.load_siemens - slope;
        }
        double coupling = circuit.load_siemens;
        double determinant = conductance[0] * conductance[1] - coupling * coupling;
        v[0] += (current[0] * conductance[1] + current[1] * coupling) / determinant;
        v[1] += (current[1] * conductance[0] + current[0] * coupling) / determinant;
    }
}

static bool connect_lead(int lead, const char *what)
{
    static const struct {
        const char *name;
        double volts, siemens;
    } known[] = {
        {"open", 0, OPEN_SIEMENS},
        {"grounded", 0, 1 / STIFF_OHM},
        {"feed", FEED_V, 1 / STIFF_OHM},
        {"1k", 0, 1e-3},
    };
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        if (strcmp(what, known[i].name) == 0) {
            circuit.source_v[lead] = known[i].volts;
            circuit.siemens[lead] = known[i].siemens;
            return true;
        }
    }
    double volts, ohm;
    if (sscanf(what, "%lf/%lf", &volts, &ohm) != 2 || ohm <= 0)
        return false;
    circuit.source_v[lead] = volts;
    circuit.siemens[lead] = 1 / ohm;
    return true;
}

static bool connect_load(const char *what)
{
    double ohm = atof(what);
    bool open = strcmp(what, "open") == 0;
    if (!open && ohm <= 0)
        return false;
    circuit.load_siemens = open ? 0 : 1 / ohm;
    return true;
}

static bool connect_word(const char *word)
{
    if (strncmp(word, "lead1=", 6) == 0)
        return connect_lead(0, word + 6);
    if (strncmp(word, "lead2=", 6) == 0)
        return connect_lead(1, word + 6);
    return strncmp(word, "load=", 5) == 0 && connect_load(word + 5);
}

bool leads_connect(const char *words)
{
    char copy[256];
    char *place;
    snprintf(copy, sizeof copy, "%s", words);
    for (char *word = strtok_r(copy, " \n", &place); word != NULL; word = strtok_r(NULL, " \n", &place))
        if (!connect_word(word))
            return false;
    settle();
    return true;
}

void leads_set_bias(uint8_t bias)
{
    circuit.bias = bias;
    settle();
}

double leads_volts(uint8_t lead, double time_s)
{
    return recording.samples != NULL ? played(lead, time_s) : circuit.volts[lead];
}
