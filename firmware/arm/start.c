/* From reset to main, and where interrupts go. */
#include <stdint.h>
#include <string.h>

#include "interrupts.h"
#include "registers.h"

#define STACK_ALIGNED (1u << 9)
#define CORE_EXCEPTIONS 16u
#define INTERRUPTS 43u

extern uint8_t stack_top[], data_begin[], data_end[], data_stored[], zeroed_begin[], zeroed_end[];

int main(void);
_Noreturn void reset(void);
_Noreturn void fault(void);

/* Whatever should not happen: the watchdog ends it. */
void fault(void)
{
    for (;;)
        ;
}

typedef void (*handler)(void);

struct vectors {
    void *stack;
    handler exceptions[CORE_EXCEPTIONS - 1u];
    handler interrupts[INTERRUPTS];
};

/* Empty ones are 0: taking such an interrupt is a fault, and none is switched on. */
__attribute__((section(".vectors"), used)) static const struct vectors vectors = {
    .stack = stack_top,
    .exceptions = {[0] = reset, [1] = fault, [2] = fault, [14] = systick_interrupt},
    .interrupts = {[ADC1_INTERRUPT] = converter_interrupt, [USART1_INTERRUPT] = usart_interrupt},
};

void reset(void)
{
    SCB_VTOR = (uint32_t)&vectors; /* the boot loader in ROM, where that jumped here, has left its own */
    SCB_CCR |= STACK_ALIGNED; /* on early chips it is not so by itself */
    memcpy(data_begin, data_stored, (size_t)(data_end - data_begin));
    memset(zeroed_begin, 0, (size_t)(zeroed_end - zeroed_begin));
    main();
    fault();
}
