#include "sum/sum.h"

juce::AudioProcessor* JUCE_CALLTYPE createPluginFilter() { return new kitfold::plugins::Sum; }
